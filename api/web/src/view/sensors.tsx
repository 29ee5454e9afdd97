// Every sensor: what it measures, what it reads, and how healthy it is in the words of NAMUR NE 107.

import { temp, type Scale } from '../logic/units.ts';
import { healthOf, roleWords, type Health } from '../logic/words.ts';
import type { Sensor, State } from '../wire.ts';

export function Sensors({ s, scale }: { s: State; scale: Scale }) {
  return (
    <section class="sheet sensors" aria-labelledby="sensors-title">
      <h2 id="sensors-title">Sensors</h2>
      <ul>{s.sensors.map((q) => <Card key={q.name} q={q} scale={scale} />)}</ul>
    </section>
  );
}

function Card({ q, scale }: { q: Sensor; scale: Scale }) {
  const health = healthOf(q.quality);
  const near = q.temp_c !== null && q.ceiling_c !== null && q.temp_c > q.ceiling_c - 10;
  return (
    <li class={`sensor ${health.split(' ')[0]!}`}>
      <p class="sensor-name">{q.label}</p>
      <p class="sensor-temp">{health === 'good' ? temp(q.temp_c, scale) : 'no reading'}</p>
      <p class="sensor-health">
        <Sign health={health} /> {health}{q.reason ? `: ${q.reason}` : ''}
      </p>
      <p class="sensor-role">
        {roleWords(q.role)}{q.ceiling_c !== null ? `, ceiling ${temp(q.ceiling_c, scale, 0)}` : ''}{near ? ': close to it' : ''}
      </p>
    </li>
  );
}

// A filled dot, a ring, a diamond, a cross: told apart without colour.
function Sign({ health }: { health: Health }) {
  return (
    <svg viewBox="0 0 14 14" aria-hidden="true">
      {health === 'good' && <circle cx="7" cy="7" r="5" class="solid" />}
      {health === 'check function' && <circle cx="7" cy="7" r="4.5" class="line" />}
      {health === 'out of specification' && <path d="M7 1l6 6-6 6-6-6z" class="solid" />}
      {health === 'failure' && <path d="M2 2l10 10M12 2L2 12" class="line" />}
    </svg>
  );
}
