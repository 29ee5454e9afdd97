// Preparing a run: which profile, which board and part, who. The chart beside it shows the corridor of the choice; the
// press-and-hold that starts it is in the rail.

import { useEffect, useRef } from 'preact/hooks';
import type { Model } from '../model.ts';
import { lessonWords, type Draft } from '../logic/sight.ts';
import { temp } from '../logic/units.ts';
import { capital, clock, kindWords } from '../logic/words.ts';

/** What has been typed about the next run. Outlives the view, so that "Back" loses nothing. */
export const draft: Draft = { board: '', part: '', serial: '', proof: false, noJoint: false, lowered: false };

const PROOF = 'about two minutes of gentle heat, one heater at a time; finds wrong plugs and loose beads';

export function Prepare({ m }: { m: Model }) {
  const title = useRef<HTMLHeadingElement>(null);
  useEffect(() => {
    title.current?.focus({ preventScroll: true }); // the view has changed under a keyboard or a screen reader
    draft.board ||= m.state?.board ?? '';
    m.changed();
  }, []);
  const change = (key: 'board' | 'part' | 'serial') => (e: Event) => {
    draft[key] = (e.target as HTMLInputElement).value;
    m.changed();
  };
  return (
    <section class="sheet prepare" aria-labelledby="prepare-title">
      <h2 id="prepare-title" tabIndex={-1} ref={title}>The next run</h2>
      <Profiles m={m} />
      <div class="fields">
        <Field label="Board" value={draft.board} input={change('board')} />
        <Field label="Part" value={draft.part} input={change('part')} />
        <Field label="Serial" value={draft.serial} input={change('serial')} />
        <Field label="Your name" value={m.settings.name} input={(e) => m.set({ name: (e.target as HTMLInputElement).value.slice(0, 60) })} />
      </div>
      <Watch m={m} />
      <Proof m={m} />
      <p class="caution">
        Before heat: fume extraction on, nothing that burns near the board, hands and sleeves clear, the emergency stop within
        reach. Local rules for mains voltage, hot work and fumes apply.
      </p>
    </section>
  );
}

// What watches the joint. With nothing there, the second question is how far the peak may be trusted to reach it.
function Watch({ m }: { m: Model }) {
  const pick = (change: Partial<Draft>) => { Object.assign(draft, change); m.changed(); };
  return (
    <>
      <fieldset class="picks">
        <legend>At the joint</legend>
        <Pick name="watch" on={!draft.noJoint} pick={() => pick({ noJoint: false })} what="A thermocouple"
          more="the joint is measured; the station learns this type of board" />
        <Pick name="watch" on={draft.noJoint} pick={() => pick({ noJoint: true })} what="Nothing: go by an estimate"
          more={lessonWords(m.lessons)} />
      </fieldset>
      {draft.noJoint && (
        <fieldset class="picks">
          <legend>Peak</legend>
          <Pick name="peak" on={!draft.lowered} pick={() => pick({ lowered: false })} what="As the profile says"
            more="needs a learned board of this type and a thermocouple on the package top" />
          <Pick name="peak" on={draft.lowered} pick={() => pick({ lowered: true })} what="Lowered, for a joint that is not known well"
            more="The solder may not melt everywhere, so lift only a part that floats: never pull." />
        </fieldset>
      )}
    </>
  );
}

interface PickProps { name: string; on: boolean; pick: () => void; what: string; more: string }

function Pick({ name, on, pick, what, more }: PickProps) {
  return (
    <label class={on ? 'picked' : ''}>
      <input type="radio" name={name} checked={on} onChange={pick} />
      <span><strong>{what}</strong><small>{more}</small></span>
    </label>
  );
}

// Whoever has nothing at the joint has no choice here: the other thermocouples are then all there is.
function Proof({ m }: { m: Model }) {
  const on = draft.proof || draft.noJoint;
  return (
    <label class={`proof${on ? ' picked' : ''}`}>
      <input type="checkbox" checked={on} disabled={draft.noJoint} onChange={(e) => { draft.proof = (e.target as HTMLInputElement).checked; m.changed(); }} />
      <span>
        <strong>Prove the thermocouples first</strong>
        <small>
          {draft.noJoint && <b>Always with nothing at the joint. </b>}
          {draft.noJoint ? capital(PROOF) : PROOF}
        </small>
      </span>
    </label>
  );
}

// Radio buttons and not a drop-down: with gloves, every choice has to be in sight and as large as a thumb.
function Profiles({ m }: { m: Model }) {
  if (m.profiles.length === 0) return <p>The station has not told its profiles yet.</p>;
  return (
    <fieldset class="picks">
      <legend>Profile</legend>
      {m.profiles.map((p) => (
        <Pick key={p.name} name="profile" on={p.name === m.chosen} pick={() => m.choose(p.name)} what={p.title}
          more={`${kindWords(p.kind)}, ${p.alloy}, ${clock(p.total_s)} min, peak ${temp(p.peak_c, m.settings.scale, 0)}`} />
      ))}
    </fieldset>
  );
}

// Free text, remembered by nothing but the run: boards and parts get pages of their own.
function Field({ label, value, input }: { label: string; value: string; input: (e: Event) => void }) {
  return (
    <label class="field">
      <span>{label}</span>
      <input type="text" value={value} onInput={input} maxLength={60} autocomplete="off" spellcheck={false} />
    </label>
  );
}
