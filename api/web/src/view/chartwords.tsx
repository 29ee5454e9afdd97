// The chart for those who cannot see it, or want its numbers: a summary and a table.

import { useState } from 'preact/hooks';
import { planAt } from '../logic/curve.ts';
import type { Sight } from '../logic/sight.ts';
import { diff, digits, giveOrTake, roughly, roughlySaid, temp, type Scale } from '../logic/units.ts';
import { clock } from '../logic/words.ts';
import type { Run } from '../wire.ts';
import type { Picture } from './chart.tsx';

interface Props { picture: Picture; run: Run | null; sight: Sight; scale: Scale }

/** Closed until asked for, so that a table of numbers is not laid out ten times a second. */
export function ChartWords({ picture, run, sight, scale }: Props) {
  const [open, setOpen] = useState(false);
  return (
    <details class="chart-words" onToggle={(e) => setOpen((e.currentTarget as HTMLDetailsElement).open)}>
      <summary>The chart in words</summary>
      {open && <Words picture={picture} run={run} sight={sight} scale={scale} />}
    </details>
  );
}

function Words({ picture: { plan, curve, joint, estimated, bandHigh, blind }, run, sight, scale }: Props) {
  const compared = !blind && estimated.some((v) => v !== null);
  const peak = Math.max(...plan.target_c.filter((v): v is number => v !== null));
  const step = curve.end > 900 ? 60 : 30;
  const rows: { s: number; i: number }[] = [];
  for (let s = 0; s <= curve.end; s += step) rows.push({ s, i: nearest(curve.x, s) });
  return (
    <>
      <p>
        Plan of {clock(plan.time_s.at(-1) ?? 0)} with a peak of {temp(peak, scale, 0)}; liquidus {temp(plan.liquidus_c, scale, 0)}. Segments:{' '}
        {plan.segments.map((g) => `${g.name} from ${clock(g.from_s)} to ${clock(g.to_s)}`).join(', ')}.
        {run && ` At ${clock(run.elapsed_s)} ${where(sight, run.target_c, scale)}`}
        {run && corridor(planAt(plan, plan.low_c, run.profile_s), planAt(plan, plan.high_c, run.profile_s), scale)}
        {run && '.'}
      </p>
      <div class="table-box" tabIndex={0} role="region" aria-label="Table of the chart">
        <table>
          <thead><tr><th scope="col">Time</th><th scope="col">Plan</th><th scope="col">Corridor</th><th scope="col">{blind ? 'Joint, estimated' : 'Coldest joint'}</th>{compared && <th scope="col">Its estimate</th>}</tr></thead>
          <tbody>
            {rows.map(({ s, i }) => (
              <tr key={s}>
                <th scope="row">{clock(s)}</th>
                <td>{temp(curve.target[i] ?? null, scale, 0)}</td>
                <td>{digits(curve.low[i] ?? null, scale, 0)} to {digits(curve.high[i] ?? null, scale, 0)}</td>
                <td>{blind ? guess(estimated[i], bandHigh[i], scale) ?? missing(s, curve.now) : joint[i] != null ? temp(joint[i], scale) : missing(s, curve.now)}</td>
                {compared && <td>{guess(estimated[i], null, scale) ?? missing(s, curve.now)}</td>}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </>
  );
}

// "≈ 187 °C ± 3 °C", or null where there is no estimate; high is the upper edge of its band.
function guess(c: number | null | undefined, high: number | null | undefined, scale: Scale): string | null {
  if (c === null || c === undefined) return null;
  return high === null || high === undefined ? roughly(c, scale) : `${roughly(c, scale)} ${giveOrTake(high - c, scale)}`;
}

const missing = (s: number, now: number | null) => (now !== null && s > now ? 'to come' : 'none');

// Where the joint is and how that compares with the plan, as a clause. A measured joint counts tenths, an estimated one does not.
function where(g: Sight, target: number, scale: Scale): string {
  if (g.how !== 'measured' && g.how !== 'estimated') return `the joint is not known${g.how === 'unwatched' ? ': nothing measured it' : ''}`;
  const way = g.c >= target ? 'above' : 'below';
  if (g.how === 'measured') return `the coldest joint is ${temp(g.c, scale)}, ${diff(g.c - target, scale)} ${way} plan`;
  return `nothing measures the joint; it is estimated at ${roughlySaid(g.c, g.doubt, scale)}, about ${diff(g.c - target, scale, 0)} ${way} plan`;
}

function corridor(low: number | null, high: number | null, scale: Scale): string {
  return low === null || high === null ? '' : `; the corridor is ${digits(low, scale, 0)} to ${temp(high, scale, 0)}`;
}

// Index of the row whose time is nearest to s. x rises.
function nearest(x: number[], s: number): number {
  let lo = 0;
  let hi = x.length - 1;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (x[mid]! < s) lo = mid + 1;
    else hi = mid;
  }
  return lo > 0 && s - x[lo - 1]! < x[lo]! - s ? lo - 1 : lo;
}
