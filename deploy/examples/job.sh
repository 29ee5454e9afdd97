#!/usr/bin/env bash
# One job from take-in to inspection, over REST alone: what a shop's own program would do. It needs curl and jq, and a station on this
# computer on a SIMULATED machine: `trivet serve --sim --speed 100`. It starts heat: on a real machine a person stands beside it and gives
# the commands, not a script.
set -euo pipefail

base=${1:-http://127.0.0.1:8420}
id=${2:-J-$(date +%s)}
api=$base/api/v1

say() { printf '\n== %s\n' "$*"; }

# get PATH, and send PATH BODY [HEADER…]: the answer goes to standard output; a refusal ends the script with its words.
get() { curl -sS "$api$1" -H "Authorization: Bearer ${token:-none}"; } # a sign of life: whoever gives none for a minute loses the controls
send() {
  local path=$1 body=$2 answer
  shift 2
  answer=$(curl -sS -X POST "$api$path" -H 'Content-Type: application/json' -H 'X-Trivet-Request: 1' -H "Authorization: Bearer ${token:-none}" "$@" -d "$body")
  if [[ $(jq -r '.status // 0' <<<"$answer") -ge 400 ]]; then
    jq -r '"refused: \(.detail) \(.do // "")"' <<<"$answer" >&2
    return 1
  fi
  printf '%s' "$answer"
}

# pair NAME ROLE: the code is shown on the station's own computer; each works once.
pair() { send /pairing "$(jq -n --arg c "$(get /pairing | jq -r .code)" --arg n "$1" --arg r "$2" '{code: $c, name: $n, role: $r, for: "program"}')" | jq -r .token; }

# event JSON: adds one event behind those that the job has.
event() { send "/jobs/$id/events" "$(jq -n --argjson e "$1" --argjson n "$(get "/jobs/$id" | jq '.job.events | length')" '{after: $n, event: $e}')" >/dev/null; }

# sign STEP: signs what is open on its checklist. A person looks first.
sign() {
  local point
  get "/jobs/$id" | jq -r --arg s "$1" '.checklists[$s][]? | select(.by == "") | .text' | while read -r point; do
    event "$(jq -n --arg s "$1" --arg p "$point" '{kind: "signed", step: $s, point: $p}')"
  done
}

# command PATH BODY: with what keeps an old or repeated command from being carried out.
command_() {
  local state
  state=$(get /state)
  send "$1" "$2" -H "Idempotency-Key: $(od -An -N8 -tx8 /dev/urandom | tr -d ' ')" -H "If-Match: \"$(jq -r .version <<<"$state")\"" -H "X-Trivet-Seen: $(jq -r .stamp_ms <<<"$state")" >/dev/null
}

# run STEP BODY: starts a step's run, confirms the lift when its window opens, and waits until it has ended and is written into the job.
run() {
  local step=$1 body=$2 state before tries=0
  before=$(get "/jobs/$id" | jq '.job.events | length')
  until command_ /runs "$(jq -n --argjson b "$body" --arg j "$id" --arg s "$step" '$b + {job: $j, step: $s}')" 2>/tmp/why.$$; do
    # The board of the run before must have cooled below 60 °C; anything else is for a person to read.
    grep -q 'hot\|moved on\|too late' /tmp/why.$$ && ((tries++ < 200)) || { cat /tmp/why.$$ >&2; return 1; }
    sleep 0.5
  done
  while state=$(get /state); [[ $(get "/jobs/$id" | jq '.job.events | length') == "$before" ]]; do
    [[ $(jq -r '.lift.open and (.lift.confirmed | not)' <<<"$state") == true ]] && command_ /confirm-lift '{}' 2>/dev/null || true
    sleep 0.2
  done
  get "/jobs/$id" | jq -r '.job.events[-1].text'
}

# cold: waits until every sensor agrees within 2 °C, which the warm-up proof of the thermocouples asks for.
cold() {
  until [[ $(get /state | jq '[.sensors[] | select(.temp_c != null) | .temp_c] | (max - min) < 2') == true ]]; do sleep 1; done
}

say "two people"
token=$(pair "R. Operator" operator); operator=$token
supervisor=$(pair "S. Supervisor" supervisor)
send /controls/take '{}' >/dev/null

say "take in: a level 5 part that has lain about for 60 h"
send /jobs "$(jq -n --arg id "$id" '{id: $id, customer: "order 4711", symptoms: "does not start when cold", plan: ["take_in","remove","dress","reball","place","inspect"],
  board: {type: "controller", serial: "B-0042", dry: true}, part: {type: "processor", serial: "P-0042", reflows: 1, body: {level: "5", thickness_mm: 2.5}}}')" >/dev/null
ago() { date -u -d "$1 hours ago" +%Y-%m-%dT%H:%M:%SZ; }
event "$(jq -n --arg f "$(ago 60)" --arg t "$(ago 0)" '{kind: "stayed", stay: {from: $f, to: $t, where: "exposed"}}')"
event '{"kind":"done","step":"take_in","ok":true,"text":"scratch on the lid, photographed"}'
sign remove

say "a removal now is refused: a bake is owed"
run remove '{"profile":"removal-heavy-lead-free"}' && { echo "it should have been refused" >&2; exit 1; } || true

say "a supervisor lets it go ahead: the part is scrap, only the board matters"
token=$supervisor event '{"kind":"overruled","step":"remove","rule":"bake","text":"the part is scrap; the board is dry"}'

say "first article: the removal, with a thermocouple at the joint"
run remove '{"profile":"removal-heavy-lead-free"}'

say "hold for dressing the site"
sign dress
run dress '{"profile":"dressing-lead-free"}'

say "a new part, from its sealed bag: reballed"
event '{"kind":"overruled","step":"reball","rule":"bake","text":"x"}' && { echo "an operator may not" >&2; exit 1; } || true
for s in reball place; do
  token=$supervisor event "$(jq -n --arg s $s '{kind: "overruled", step: $s, rule: "bake", text: "a new part from its sealed bag, opened an hour ago"}')"
  token=$supervisor event "$(jq -n --arg s $s '{kind: "overruled", step: $s, rule: "reflows", text: "the count is of the old part"}')"
done
sign reball
run reball '{"profile":"reball-lead-free"}'

say "placement, without a thermocouple at the joint, on what the removal has taught"
cold
send /controls/take '{}' >/dev/null
sign place
run place '{"profile":"placement-heavy-lead-free","no_joint":true}'

say "inspect"
event '{"kind":"done","step":"inspect","ok":true,"text":"X-ray: no bridges"}'
event '{"kind":"judged","subject":"board","ok":true,"text":"starts, cold and warm"}'

say "what is on record"
get "/jobs/$id" | jq -r '.job.events[] | "\(.at[0:16])  \(.by)  \(.kind) \(.step // .subject // "") \(.point // .text // "")"'
[[ $(get "/jobs/$id" | jq '.owed | length') == 0 ]] && say "nothing is owed"
