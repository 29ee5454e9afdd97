// Preparing a run: which profile, which board and part, who. The chart beside it shows the corridor of the choice; the
// press-and-hold that starts it is in the rail.

import { useEffect, useRef } from 'preact/hooks';
import type { Model } from '../model.ts';
import { temp } from '../logic/units.ts';
import { clock, kindWords } from '../logic/words.ts';

/** What has been typed about the next run. Outlives the view, so that "Back" loses nothing. */
export const draft = { board: '', part: '', serial: '', proof: false };

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
      <label class={`proof${draft.proof ? ' picked' : ''}`}>
        <input type="checkbox" checked={draft.proof} onChange={(e) => { draft.proof = (e.target as HTMLInputElement).checked; m.changed(); }} />
        <span>
          <strong>Prove the thermocouples first</strong>
          <small>about two minutes of gentle heat, one heater at a time; finds wrong plugs and loose beads</small>
        </span>
      </label>
      <p class="caution">
        Before heat: fume extraction on, nothing that burns near the board, hands and sleeves clear, the emergency stop within
        reach. Local rules for mains voltage, hot work and fumes apply.
      </p>
    </section>
  );
}

// Radio buttons and not a drop-down: with gloves, every choice has to be in sight and as large as a thumb.
function Profiles({ m }: { m: Model }) {
  if (m.profiles.length === 0) return <p>The station has not told its profiles yet.</p>;
  return (
    <fieldset class="profiles">
      <legend>Profile</legend>
      {m.profiles.map((p) => (
        <label key={p.name} class={p.name === m.chosen ? 'picked' : ''}>
          <input type="radio" name="profile" checked={p.name === m.chosen} onChange={() => m.choose(p.name)} />
          <span>
            <strong>{p.title}</strong>
            <small>{kindWords(p.kind)}, {p.alloy}, {clock(p.total_s)} min, peak {temp(p.peak_c, m.settings.scale, 0)}</small>
          </span>
        </label>
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
