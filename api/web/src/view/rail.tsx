// The rail at the bottom: the one or two deeds that make sense now. Stop lies at its right end, but is not part of it.

import type { Model } from '../model.ts';
import { holderSentence } from '../logic/people.ts';
import { capital, clock, kindWords } from '../logic/words.ts';
import type { Permissive, ProfileInfo, Run, State } from '../wire.ts';
import { HoldButton } from './holdbutton.tsx';
import { draft } from './prepare.tsx';

export function Rail({ m }: { m: Model }) {
  const s = m.state;
  return (
    <footer class="rail" aria-label="Controls">
      {m.problem && (
        <div class="problem" role="alert">
          <p><strong>{m.problem.title}</strong> {m.problem.detail} {m.problem.do}</p>
          <button type="button" onClick={() => { m.problem = null; m.changed(); }}>Close</button>
        </div>
      )}
      {s?.controls.asking && m.standing() === 'holding' && <Asked m={m} name={s.controls.asking.name} id={s.controls.asking.id} />}
      <div class="deeds">
        {s && <Deeds m={m} s={s} />}
        {s?.run && !m.preparing && s.state !== 'idle' && s.trip_id === 0 && <RunLabel run={s.run} />}
      </div>
    </footer>
  );
}

// Somebody wants the controls. It does not cover what the holder may have to press, and it goes away by itself after a minute.
function Asked({ m, name, id }: { m: Model; name: string; id: string }) {
  return (
    <div class="asked" role="alert">
      <p><strong>{name} asks for the controls.</strong> The machine goes on as it is, whoever holds them.</p>
      <button type="button" disabled={m.busy !== null} onClick={() => void m.answer(id, true)}>Hand over</button>
      <button type="button" disabled={m.busy !== null} onClick={() => void m.answer(id, false)}>Keep</button>
    </div>
  );
}

// Which deeds are offered follows who holds the controls first, the state second and the station's list of allowed commands
// third: a deed that is merely forbidden to this viewer is left out, a deed that waits for something is shown and says for what.
function Deeds({ m, s }: { m: Model; s: State }) {
  if (m.standing() !== 'holding') return <WatchDeeds m={m} s={s} />;
  if (m.preparing) return <StartDeeds m={m} s={s} />;
  if (s.trip_id !== 0) return <TripDeed m={m} s={s} />;
  const live = s.state === 'running' || s.state === 'holding' || s.state === 'held' || s.state === 'restarting';
  if (live) return <LiveDeeds m={m} s={s} />;
  const over = s.state === 'complete' || s.state === 'stopped' || s.state === 'aborted';
  return (
    <>
      {m.may('start') && (
        <Deed main label="Prepare a run" detail="choose profile, board and part" m={m} act={() => { location.hash = '#/'; m.prepare(true); }} />
      )}
      {over && m.may('reset') && (
        <Deed label="Put away" detail="the run stays in the list" m={m} act={() => void m.tell('reset', '/reset', { trip_id: 0 })} />
      )}
      {!m.may('start') && !m.may('reset') && <p class="rail-note">{whyNot(s)}</p>}
    </>
  );
}

// Whose run this is, where there is room for it.
function RunLabel({ run }: { run: Run }) {
  const what = [run.board, run.part, run.serial].filter(Boolean).join(', ');
  return (
    <p class="rail-run">
      <strong>{kindWords(run.kind)}{run.id ? ` no. ${run.id}` : ''}{run.by ? `, ${run.by}` : ''}</strong>
      <span>{what}</span>
      <span>{clock(run.elapsed_s)} since the start, plan {clock(run.total_s)}</span>
    </p>
  );
}

// What a viewer without the controls can do: become one who has them. What the machine waits for is said beside it.
function WatchDeeds({ m, s }: { m: Model; s: State }) {
  const holder = s.controls.holder?.name ?? '';
  const where = m.standing();
  return (
    <>
      {where === 'unpaired' && !location.hash.startsWith('#/people') && m.me?.may_look && (
        <Deed main label="Pair this browser" detail={m.me?.here ? 'the code is on the next page' : 'to run the machine from here'} m={m} act={() => { location.hash = '#/people'; }} />
      )}
      {where === 'free' && <Deed main label="Take the controls" detail="nobody holds them" m={m} act={() => void m.controls('take')} />}
      {where === 'elsewhere' && <Deed main label="Ask for the controls" detail={`${holder} holds them`} m={m} act={() => void m.controls('ask')} />}
      {where === 'asked' && <Deed label="Ask no more" detail={`${holder} has been asked`} m={m} act={() => void m.controls('release')} />}
      {(where === 'elsewhere' || where === 'asked') && m.me?.you?.role === 'supervisor' && (
        <Deed label="Take over" detail={`from ${holder}`} m={m} act={() => void m.controls('take-over')} />
      )}
      <p class="rail-note">{watching(m, s)}</p>
    </>
  );
}

// What somebody who can press nothing but Stop wants to know.
function watching(m: Model, s: State) {
  const first = s.trip_id !== 0 ? (s.alarms.find((a) => a.first_out) ?? s.alarms[0]) : undefined;
  if (first) return <><strong>{first.title}.</strong> {first.do}</>;
  if (s.phase === 'cooling' || s.phase === 'run_on') return nothingButStop(s);
  return m.standing() === 'watching' ? `${holderSentence(m.me, s.controls)} You are paired to look. Stop works for everybody.` : 'You are watching. Stop works for everybody.';
}

// For whoever has nothing else to press.
function nothingButStop(s: State): string {
  if (s.phase === 'cooling' || s.phase === 'run_on') return 'Cooling goes by itself. Keep clear until it is safe to touch.';
  return 'Nothing to press here now but Stop, which anyone may.';
}

// Why there is nothing to press, in words and with what to do about it.
function whyNot(s: State): string {
  const missing = s.permissives.find((p) => !p.holds);
  if (s.state === 'stopping' || s.state === 'aborting') return 'Heat is off. Wait for the machine to settle.';
  if (missing) return `${capital(missing.text)}. ${missing.do}`;
  return 'No run can start now.';
}

// While the lift window is open, its confirmation is the widest thing in the rail; on a phone it is the only one.
function LiveDeeds({ m, s }: { m: Model; s: State }) {
  const removal = s.run?.kind === 'removal';
  const lift = m.may('confirm_lift') && s.lift.open && !s.lift.confirmed;
  return (
    <>
      {lift && (
        <Deed main urgent label={removal ? 'Part is off' : 'Part sits'} detail={removal ? (s.run?.bounded_peak ? 'it floated; never pull' : 'then cooling begins') : 'seen by eye; then cooling begins'}
          m={m} act={() => void m.tell('confirm_lift', '/confirm-lift')} />
      )}
      {m.may('restart') && <Deed main={!lift} label="Go on" detail="heat follows the plan again" m={m} act={() => void m.tell('restart', '/restart')} />}
      {m.may('hold') && <Deed label="Hold heat" detail="the plan stands still" m={m} act={() => void m.tell('hold', '/hold')} />}
      {!lift && !m.may('restart') && !m.may('hold') && <p class="rail-note">{nothingButStop(s)}</p>}
    </>
  );
}

// A reset names the trip it means, so that a trip that comes while the finger is on its way is not reset unseen.
function TripDeed({ m, s }: { m: Model; s: State }) {
  const first = s.alarms.find((a) => a.first_out) ?? s.alarms[0];
  return (
    <>
      <Deed main disabled={!m.may('reset')} label="Reset the trip" detail={m.may('reset') ? 'no heat comes from this' : first?.cause_present ? 'the cause is still there' : 'not yet'}
        m={m} act={() => void m.tell('reset', '/reset', { trip_id: s.trip_id })} />
      <p class="rail-note">{first ? <><strong>{first.title}.</strong> {first.do}</> : s.ended?.reason}</p>
    </>
  );
}

// The choices that change what the run is stand on the button itself: on a small panel they may be scrolled out of sight. A
// condition that only a run with a joint thermocouple needs is named; whether it forbids the start, the station says.
function startWords(title: string, blocked: Permissive | undefined): string {
  if (!draft.noJoint) return blocked ? capital(blocked.text) : title;
  return `${draft.lowered ? 'Lowered peak, nothing' : 'Nothing'} at the joint: ${title}`;
}

// To run without a thermocouple at the joint is meant for one board: the next one begins from the choice that measures.
async function start(m: Model, p: ProfileInfo): Promise<void> {
  if (await m.begin(draft, p)) draft.noJoint = draft.lowered = false;
}

// Start is offered on fresh news only: whoever starts heat has to see the machine as it is.
function StartDeeds({ m, s }: { m: Model; s: State }) {
  const p = m.profiles.find((x) => x.name === m.chosen);
  const blocked = s.permissives.find((x) => !x.holds);
  const can = m.may('start') && p !== undefined && m.busy === null && !m.stale();
  const detail = can ? startWords(p.title, blocked) : blocked ? capital(blocked.text) : m.stale() ? 'no news from the station' : 'not now';
  return (
    <>
      <HoldButton label="Hold to start heat" detail={detail} disabled={!can}
        done={() => p && void start(m, p)} />
      <Deed label="Back" detail="nothing is lost" m={m} act={() => m.prepare(false)} />
    </>
  );
}

// A deed is one press, 72 px tall for a gloved thumb. While one command is under way all wait, except Stop.
interface DeedProps { m: Model; label: string; detail: string; act: () => void; main?: boolean; urgent?: boolean; disabled?: boolean }

function Deed({ m, label, detail, act, main, urgent, disabled }: DeedProps) {
  return (
    <button type="button" class={`deed${main ? ' main' : ''}${urgent ? ' urgent' : ''}`} disabled={disabled || m.busy !== null} onClick={act}>
      <span class="deed-words"><strong>{label}</strong><small>{detail}</small></span>
    </button>
  );
}
