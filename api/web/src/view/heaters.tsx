// One row per heater: how hot it is against its own ceiling and set-point, how much it draws, and what its air does.

import { temp, watts, type Scale } from '../logic/units.ts';
import { airWords, capital, healthOf } from '../logic/words.ts';
import type { Heater, State } from '../wire.ts';

export function Heaters({ s, scale }: { s: State; scale: Scale }) {
  const live = (s.state === 'running' || s.state === 'restarting') && s.phase !== 'cooling' && s.phase !== 'run_on';
  return (
    <section class="sheet heaters" aria-labelledby="heaters-title">
      <h2 id="heaters-title">Heaters</h2>
      {s.heaters.length === 0 && <p>None is configured.</p>}
      <ul class="rows">
        {s.heaters.map((h) => <Row key={h.name} h={h} live={live} scale={scale} />)}
      </ul>
    </section>
  );
}

// Only while heat is wanted is it worth saying that a heater is locked; at rest and while cooling all of them are.
function Row({ h, live, scale }: { h: Heater; live: boolean; scale: Scale }) {
  const reads = h.temp_c !== null && healthOf(h.quality) === 'good';
  const draws = h.duty > 0; // not h.on: a relay that is driven in bursts would make the row blink
  return (
    <li class={`heater${draws ? ' draws' : ''}`}>
      <h3>{h.label}</h3>
      <p class="heater-temp">{reads ? temp(h.temp_c, scale, 0) : 'no reading'}</p>
      <div class="heater-scale">
        <Track value={reads ? h.temp_c : null} mark={h.set_c} end={h.ceiling_c} />
        <p>
          <span>{h.set_c === null ? 'no set-point' : `set ${temp(h.set_c, scale, 0)}`}</span>
          <span>{h.ceiling_c === null ? 'no ceiling' : `ceiling ${temp(h.ceiling_c, scale, 0)}`}</span>
        </p>
      </div>
      <div class="heater-power">
        <div class="bar power" aria-hidden="true"><div style={{ transform: `scaleX(${part(h.power_w, h.rated_w)})` }} /></div>
        <p><strong>{watts(h.power_w)}</strong> of {watts(h.rated_w)}</p>
      </div>
      <p class={`heater-air ${h.air}`}>{capital(airWords(h.air))}{live && !h.allowed ? ', heat locked' : ''}</p>
    </li>
  );
}

// A ruler from 0 °C to the ceiling: the fill is what is measured, the notch is what is asked for.
function Track({ value, mark, end }: { value: number | null; mark: number | null; end: number | null }) {
  if (end === null || !(end > 0)) return null;
  return (
    <div class="track" aria-hidden="true">
      <div class="track-fill" style={{ transform: `scaleX(${value === null ? 0 : part(value, end)})` }} />
      {mark !== null && <div class="track-mark" style={{ left: `${part(mark, end) * 100}%` }} />}
    </div>
  );
}

// v as a part of a whole, 0…1; 0 for a whole of nothing.
function part(v: number, of: number): number {
  return of > 0 ? Math.min(1, Math.max(0, v / of)) : 0;
}
