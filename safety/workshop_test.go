//go:build !mutated

package safety_test

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"
)

// perMutant is how long tests may take: one that takes longer hangs, which is being found out.
const perMutant = 2 * time.Minute

// workshop builds and runs spoilt packages.
type workshop struct {
	t       *testing.T
	dir     string // of package safety
	tmp     string
	source  map[string][]byte
	genuine [32]byte // digest of the test binary of the unspoilt package

	fset  *token.FileSet
	trees map[string]*ast.File
	std   types.Importer
}

func newWorkshop(t *testing.T) *workshop {
	t.Helper()
	dir, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	s := &workshop{t: t, dir: dir, tmp: t.TempDir(), source: map[string][]byte{}, fset: token.NewFileSet(), trees: map[string]*ast.File{}}
	s.std = importer.ForCompiler(s.fset, "source", nil)
	list, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		if name := filepath.Base(f); !strings.HasSuffix(name, "_test.go") {
			if s.source[name], err = os.ReadFile(f); err != nil {
				t.Fatal(err)
			}
			if s.trees[name], err = parser.ParseFile(s.fset, name, s.source[name], 0); err != nil {
				t.Fatal(err)
			}
		}
	}
	return s
}

// apply is the file with the mistake in it.
func (s *workshop) apply(m *mutant) []byte {
	src := s.source[m.file]
	return slices.Concat(src[:m.from], []byte(m.now), src[m.to:])
}

// compiles reports whether the package with the mistake in it has no errors of syntax and types.
func (s *workshop) compiles(m *mutant) bool {
	tree, err := parser.ParseFile(s.fset, m.file, s.apply(m), 0)
	if err != nil {
		return false
	}
	var files []*ast.File
	for name, t := range s.trees {
		if name == m.file {
			t = tree
		}
		files = append(files, t)
	}
	_, err = (&types.Config{Importer: s.std}).Check("trivet/safety", s.fset, files, nil)
	return err == nil
}

// build compiles the tests of pkg with some files of this package replaced or added, and returns the binary and its digest.
func (s *workshop) build(pkg string, files map[string][]byte) (bin string, sum [32]byte, err error) {
	replace := map[string]string{}
	for name, src := range files {
		at := filepath.Join(s.tmp, name)
		if err := os.WriteFile(at, src, 0o600); err != nil {
			return "", sum, err
		}
		replace[filepath.Join(s.dir, name)] = at
	}
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", sum, err
	}
	where := filepath.Join(s.tmp, "overlay.json")
	if err := os.WriteFile(where, list, 0o600); err != nil {
		return "", sum, err
	}
	bin = filepath.Join(s.tmp, strings.ReplaceAll(pkg, "/", "_")+".test")
	cmd := exec.Command("go", "test", "-c", "-vet=off", "-tags=mutated", "-trimpath", "-overlay", where, "-ldflags=-s -w -buildid=", "-o", bin, "./"+pkg)
	cmd.Dir = filepath.Dir(s.dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", sum, errors.New(string(out))
	}
	b, err := os.ReadFile(bin)
	return bin, sha256.Sum256(b), err
}

// fails runs the tests of a built package with mistake number k switched on, the long ones last, and reports whether one of them fails
// or hangs.
func (s *workshop) fails(bin, pkg, only string, k int) bool {
	return s.run(bin, pkg, only, k, true) != nil || pkg == "safety" && s.run(bin, pkg, only, k, false) != nil
}

func (s *workshop) run(bin, pkg, only string, k int, short bool) error {
	ctx, cancel := context.WithTimeout(s.t.Context(), perMutant)
	defer cancel()
	cmd := exec.CommandContext(ctx, bin, "-test.failfast", fmt.Sprintf("-test.short=%v", short), "-test.run", only)
	cmd.Dir = filepath.Join(filepath.Dir(s.dir), pkg)
	cmd.Env = append(os.Environ(), "TRIVET_MUTANTS=", fmt.Sprintf("TRIVET_MUTANT=%d", k), "GOMEMLIMIT=2GiB")
	return cmd.Run()
}

// chooser is the file that tells a package with many mistakes in it which of them to make; 0 is none.
const chooser = `package safety

import (
	"os"
	"strconv"
)

var mutantOfThisRun, _ = strconv.Atoi(os.Getenv("TRIVET_MUTANT"))
`

// edit replaces bytes from…to of a file.
type edit struct {
	from, to int
	text     string
}

// edited makes edits, given in any order, of src[from:to].
func edited(src []byte, from, to int, list []edit) string {
	sort.SliceStable(list, func(i, j int) bool { return list[i].from < list[j].from })
	var out strings.Builder
	at := from
	for _, e := range list {
		out.Write(src[at:e.from])
		out.WriteString(e.text)
		at = e.to
	}
	out.Write(src[at:to])
	return out.String()
}

// switchable makes one file out of a file and many mistakes in it: each spoilt function stands beside the genuine one, which calls it when that
// mistake is chosen, and each spoilt row of a table takes its place when the program begins. So all of them are compiled once. The
// mistakes that cannot be switched, in constants and types, are left out and returned.
func (s *workshop) switchable(file string, list map[int]*mutant) (src []byte, left []int) {
	text, tree := s.source[file], s.trees[file]
	off := func(p token.Pos) int { return s.fset.Position(p).Offset }
	var edits []edit
	var tail strings.Builder
	taken := map[int]bool{}
	numbers := func(from, to int) (in []int) {
		for k, m := range list {
			if m.from >= from && m.to <= to {
				in, taken[k] = append(in, k), true
			}
		}
		slices.Sort(in)
		return in
	}
	for _, d := range tree.Decls {
		if f, ok := d.(*ast.FuncDecl); ok {
			in := numbers(off(f.Body.Pos()), off(f.Body.End()))
			if len(in) == 0 {
				continue
			}
			names, call := s.signature(f)
			var jump strings.Builder
			jump.WriteString("\nswitch mutantOfThisRun {\n")
			for _, k := range in {
				m := list[k]
				fmt.Fprintf(&jump, "case %d:\n", k)
				if f.Type.Results != nil {
					jump.WriteString("return ")
				}
				fmt.Fprintf(&jump, call+"\n", k)
				if f.Type.Results == nil {
					jump.WriteString("return\n")
				}
				copied := append(slices.Clone(names), edit{off(f.Name.Pos()), off(f.Name.End()), fmt.Sprintf("%s__%d", f.Name.Name, k)}, edit{m.from, m.to, m.now})
				fmt.Fprintf(&tail, "\n%s\n", edited(text, off(f.Pos()), off(f.End()), copied))
			}
			jump.WriteString("}\n")
			edits = append(append(edits, names...), edit{off(f.Body.Lbrace) + 1, off(f.Body.Lbrace) + 1, jump.String()})
		}
		if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.VAR {
			for _, spec := range g.Specs {
				s.rows(spec.(*ast.ValueSpec), text, list, numbers, &tail)
			}
		}
	}
	for k := range list {
		if !taken[k] {
			left = append(left, k)
		}
	}
	slices.Sort(left)
	return []byte(edited(text, 0, len(text), edits) + tail.String()), left
}

// rows writes a beginning of the program that puts spoilt rows into a table, or lets two of them change places.
func (s *workshop) rows(v *ast.ValueSpec, text []byte, list map[int]*mutant, numbers func(from, to int) []int, tail *strings.Builder) {
	off := func(p token.Pos) int { return s.fset.Position(p).Offset }
	for _, x := range v.Values {
		table, ok := x.(*ast.CompositeLit)
		if !ok {
			continue
		}
		kind, ok := table.Type.(*ast.ArrayType)
		if !ok {
			continue
		}
		name, elem := v.Names[0].Name, string(text[off(kind.Elt.Pos()):off(kind.Elt.End())])
		for i, row := range table.Elts {
			from, to := off(row.Pos()), off(row.End())
			for _, k := range numbers(from, to) {
				m := list[k]
				fmt.Fprintf(tail, "\nfunc init() {\nif mutantOfThisRun == %d {\n%s[%d] = %s%s\n}\n}\n", k, name, i, elem, edited(text, from, to, []edit{{m.from, m.to, m.now}}))
			}
			if i > 0 {
				for k, m := range list {
					if m.op == "order" && m.from == off(table.Elts[i-1].Pos()) && m.to == to {
						numbers(m.from, m.to)
						fmt.Fprintf(tail, "\nfunc init() {\nif mutantOfThisRun == %d {\n%s[%d], %s[%d] = %s[%d], %s[%d]\n}\n}\n", k, name, i-1, name, i, name, i, name, i-1)
					}
				}
			}
		}
	}
}

// signature gives names to parameters that have none, and the call of a namesake with a number in its name.
func (s *workshop) signature(f *ast.FuncDecl) (names []edit, call string) {
	off := func(p token.Pos) int { return s.fset.Position(p).Offset }
	if f.Recv != nil {
		call = f.Recv.List[0].Names[0].Name + "."
	}
	var args []string
	for _, p := range f.Type.Params.List {
		for _, n := range p.Names {
			name := n.Name
			if name == "_" {
				name = fmt.Sprintf("unused%d", len(args))
				names = append(names, edit{off(n.Pos()), off(n.End()), name})
			}
			args = append(args, name)
		}
	}
	return names, call + f.Name.Name + "__%d(" + strings.Join(args, ", ") + ")"
}
