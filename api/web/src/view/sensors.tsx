// Every sensor: what it reads, and how healthy it is in the words of NAMUR NE 107. Each is also the switch for its own
// line on the chart, so that the list is the chart's legend.

import type { Model } from '../model.ts';
import { unwatched } from '../logic/sight.ts';
import { isShown, toggled } from '../settings.ts';
import { temp } from '../logic/units.ts';
import { healthOf, type Health } from '../logic/words.ts';
import type { Sensor, State } from '../wire.ts';
import { strokeOf } from './drawing.ts';

const CLOSE_K = 10; // this near to its ceiling a sensor says so; a judgement, no source

export function Sensors({ m, s }: { m: Model; s: State }) {
  return (
    <section class="sheet sensors" aria-labelledby="sensors-title">
      <h2 id="sensors-title">Sensors <small>press one to draw its line</small></h2>
      <ul>{s.sensors.map((q, i) => <li key={q.name}><Card q={q} i={i} m={m} out={q.role === 'joint' && unwatched(s)} /></li>)}</ul>
    </section>
  );
}

// A joint sensor that this run does without may hang anywhere: it is neither good nor a failure.
function Card({ q, i, m, out }: { q: Sensor; i: number; m: Model; out: boolean }) {
  const health = healthOf(q.quality);
  const { scale } = m.settings;
  const { pattern, ink } = strokeOf(i);
  const close = q.temp_c !== null && q.ceiling_c !== null && q.temp_c > q.ceiling_c - CLOSE_K;
  return (
    <button type="button" class={`sensor ${out ? 'left-out' : health.split(' ')[0]!} ink-${ink}`} aria-pressed={isShown(m.settings, q)}
      onClick={() => m.set({ shown: toggled(m.settings, q) })}>
      <span class="sensor-name">{q.label}</span>
      <span class="sensor-temp">{health === 'good' ? temp(q.temp_c, scale) : 'no reading'}</span>
      <span class="sensor-health">{out ? 'this run does without it' : <><Sign health={health} /> {health}{q.reason ? `: ${q.reason}` : ''}</>}</span>
      {!out && q.ceiling_c !== null && health === 'good' && (
        <span class="sensor-ceiling">{close ? 'near ceiling' : 'ceiling'} {temp(q.ceiling_c, scale, 0)}</span>
      )}
      <svg class="stroke" aria-hidden="true"><path d="M0 3h2000" stroke-dasharray={pattern || undefined} /></svg>
    </button>
  );
}

// A filled dot, a ring, a diamond, a cross: told apart without colour.
function Sign({ health }: { health: Health }) {
  return (
    <svg viewBox="0 0 14 14" class="sign" aria-hidden="true">
      {health === 'good' && <circle cx="7" cy="7" r="5" class="solid" />}
      {health === 'check function' && <circle cx="7" cy="7" r="4.5" class="line" />}
      {health === 'out of specification' && <path d="M7 1l6 6-6 6-6-6z" class="solid" />}
      {health === 'failure' && <path d="M2 2l10 10M12 2L2 12" class="line" />}
    </svg>
  );
}
