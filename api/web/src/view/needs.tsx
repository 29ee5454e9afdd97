// What heat needs, with what blocks it first and what to do about it; and what the mains may give.

import { inScale, watts, type Scale } from '../logic/units.ts';
import { capital } from '../logic/words.ts';
import type { Permissive, State } from '../wire.ts';

export function Needs({ s, scale }: { s: State; scale: Scale }) {
  const live = s.state !== 'idle' && s.state !== 'complete' && s.state !== 'stopped' && s.state !== 'aborted';
  // A hot board forbids the next start, not the run that heats it: during a run that row would cry wolf.
  const list = live ? s.permissives.filter((p) => p.code !== 'cold') : s.permissives;
  const other = s.sentence_meaning === 'idle/no_joint'; // all that is missing is a joint, and a run can do without
  const missing = list.filter((p) => !p.holds);
  const held = list.filter((p) => p.holds);
  return (
    <section class="sheet needs" aria-labelledby="needs-title">
      <h2 id="needs-title">{live ? 'While there is heat' : missing.length === 0 ? 'Before heat' : other ? 'Heat waits for, unless nothing is at the joint' : 'Heat waits for'}</h2>
      {missing.length > 0 && (
        <ul class="missing">
          {missing.map((p, i) => (
            <li key={p.code + i}>
              <Cross />
              <div><strong>{capital(inScale(p.text, scale))}.</strong> <span>{inScale(p.do, scale)}</span></div>
            </li>
          ))}
        </ul>
      )}
      {held.length > 0 && (
        <ul class="held">
          {gathered(held).map((g) => (
            <li key={g.code}><Tick />{inScale(g.title, scale)}{g.more > 0 ? `, and ${g.more} more like it` : ''}</li>
          ))}
        </ul>
      )}
      {!live && s.notices.length > 0 && (
        <ul class="soon" aria-label="To do soon">
          {s.notices.map((n) => <li key={n.code}>{n.text} {n.do}</li>)}
        </ul>
      )}
    </section>
  );
}

// Conditions of one kind that hold are one line: a dozen sensors that read must not hide the door that is shut.
// What does not hold is never gathered.
function gathered(held: Permissive[]): { code: string; title: string; more: number }[] {
  const kinds = new Map<string, { code: string; title: string; more: number }>();
  for (const p of held) {
    const k = kinds.get(p.code);
    if (k) k.more++;
    else kinds.set(p.code, { code: p.code, title: p.title, more: 0 });
  }
  return [...kinds.values()];
}

// Both carry their meaning in words for a screen reader: a tick and a cross are only shapes.
function Tick() {
  return <svg class="tick" viewBox="0 0 16 16" role="img" aria-label="holds:"><path d="M2 8l4 4 8-9" /></svg>;
}

function Cross() {
  return <svg class="cross" viewBox="0 0 20 20" role="img" aria-label="missing:"><path d="M7 1h6l6 6v6l-6 6H7l-6-6V7z" /><path d="M10 5v6M10 13v2" class="bang" /></svg>;
}

// Heaters together against the budget; what the station as a whole does with heat, fans and the record.
export function Mains({ s }: { s: State }) {
  const { power_w, budget_w } = s.mains;
  const used = budget_w > 0 ? Math.min(1, Math.max(0, power_w / budget_w)) : 0;
  return (
    <section class="sheet mains" aria-labelledby="mains-title">
      <h2 id="mains-title">Mains</h2>
      <div class="bar power" aria-hidden="true"><div style={{ transform: `scaleX(${used})` }} /></div>
      <p><strong>{watts(power_w)}</strong> of {watts(budget_w)} allowed</p>
      <ul class="facts">
        <li>{s.heat_enabled ? 'Heat is enabled.' : 'Heat is locked off.'}</li>
        <li>Board fans {Math.round(s.fan * 100)} %.</li>
        <li class={s.recording ? '' : 'bad'}>{s.recording ? 'The record keeps up.' : 'Not recording: memory only. Check the disk.'}</li>
      </ul>
    </section>
  );
}
