#!/usr/bin/env bash
# Builds the Debian packages: deploy/package/build.sh OUT [ARCH…]. The page must have been built (make web); the Makefile sees to that.
#
# The same commit gives the same bytes, wherever and whenever: no path, no time and no build number of the machine gets in, and every time in
# a package is that of the commit.
set -euo pipefail
cd "$(dirname "$0")/../.."
here=$PWD out=$(realpath -m "${1:?say where to: build.sh OUT}")
shift
arches=("$@")
((${#arches[@]})) || arches=(amd64 arm64 armhf)
nfpm=${NFPM:-$here/.cache/bin/nfpm}

# A tag vX.Y.Z makes X.Y.Z; commits behind it X.Y.Z+N.gHASH. Without any tag the time of the commit makes the order: 0.0~ sorts before all releases.
described=$(git describe --tags --match 'v[0-9]*' --dirty 2>/dev/null || true)
if [[ $described ]]; then
  version=$(sed -E 's/^v//; s/-([0-9]+)-g/+\1.g/; s/-dirty$/+dirty/; s/-/~/g' <<<"$described")
else
  version=0.0~git$(TZ=UTC git log -1 --format=%cd --date=format-local:%Y%m%d%H%M%S).$(git rev-parse --short=9 HEAD)
  [[ -z $(git status --porcelain --untracked-files=no) ]] || version+=+dirty
fi
version=${TRIVET_VERSION:-$version}
export SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)} TRIVET_VERSION=$version LC_ALL=C TZ=UTC
grep -q '^index.html$' <(ls api/web/dist) || { echo "build.sh: the page has not been built; run make web" >&2; exit 1; }

program() { # program GOARCH FILE: buildvcs would say whether files lie about that belong to nobody
  local goarm=()
  [[ $1 != arm ]] || goarm=(GOARM=6) # the oldest boards; on newer ones it costs little
  env GOOS=linux GOARCH="$1" "${goarm[@]}" CGO_ENABLED=0 go build -trimpath -buildvcs=false -ldflags "-s -w -buildid= -X main.version=$version" -o "$2" ./cmd/trivet
}

# licences LIST collects what the authors of every library ask to be passed on.
licences() {
  echo "Licences of what is in trivet $version. Collected from the sources."
  printf '\n\n==== The Go language and its library ====\n\n'
  cat "$(go env GOROOT)/LICENSE"
  GOOS=linux CGO_ENABLED=0 go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/trivet | sort -u |
    while read -r path ver dir; do
      printf '\n\n==== %s %s ====\n\n' "$path" "$ver"
      files=$(find "$dir" -maxdepth 1 -type f -iregex '.*/\(licen[sc]e\|copying\|notice\|patents\)[^/]*' ! -name '*.go' | sort)
      [[ $files ]] || { echo "build.sh: $path has no licence file" >&2; exit 1; }
      xargs -d '\n' cat <<<"$files"
    done
  for p in preact uplot; do
    printf '\n\n==== %s, in the page ====\n\n' "$p"
    cat api/web/node_modules/$p/LICENSE*
  done
}

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
common=$work/common
mkdir -p "$common" "$out"
cp deploy/package/{trivet.service,udev.rules,sysusers.conf,modules.conf,watchdog.conf,trivet.toml,postinst,prerm,postrm,copyright,lintian-overrides} deploy/wiring.md "$common"
mkdir "$common/drawings" "$common/machines"
cp deploy/drawings/*.svg "$common/drawings"
cp deploy/machines/* "$common/machines"
licences >"$common/third-party.txt"
cat >"$common/changelog" <<END
trivet ($version) unstable; urgency=medium

  * Built from commit $(git rev-parse HEAD).

 -- The Trivet authors <trivet@trivet.invalid>  $(date -u -R -d "@$SOURCE_DATE_EPOCH")
END
program "$(go env GOHOSTARCH)" "$work/host"
go run ./deploy/manual "$work/host" "$version" "$(date -u -d "@$SOURCE_DATE_EPOCH" +%F)" >"$common/trivet.1"
gzip -9n "$common"/{third-party.txt,changelog,trivet.1}

for arch in "${arches[@]}"; do
  stage=$work/$arch
  cp -r "$common" "$stage"
  case $arch in armhf) goarch=arm ;; *) goarch=$arch ;; esac
  program "$goarch" "$stage/trivet"
  find "$stage" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
  chmod -R u=rwX,go=rX "$stage"
  deb=$out/trivet_${version}_$arch.deb
  (cd "$stage" && TRIVET_ARCH=$arch "$nfpm" package --packager deb --config "$here/deploy/package/nfpm.yaml" --target "$deb" >/dev/null)
  printf '%s  package %d bytes, program %d bytes\n' "$(basename "$deb")" "$(stat -c %s "$deb")" "$(stat -c %s "$stage/trivet")"
done
