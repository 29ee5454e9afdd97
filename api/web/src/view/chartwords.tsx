// The chart for those who cannot see it, or want its numbers: a summary and a table.

import { useState } from 'preact/hooks';
import { planAt } from '../logic/curve.ts';
import { diff, digits, temp, type Scale } from '../logic/units.ts';
import { clock } from '../logic/words.ts';
import type { Run } from '../wire.ts';
import type { Picture } from './chart.tsx';

interface Props { picture: Picture; run: Run | null; jointC: number | null; scale: Scale }

/** Closed until asked for, so that a table of numbers is not laid out ten times a second. */
export function ChartWords({ picture, run, jointC, scale }: Props) {
  const [open, setOpen] = useState(false);
  return (
    <details class="chart-words" onToggle={(e) => setOpen((e.currentTarget as HTMLDetailsElement).open)}>
      <summary>The chart in words</summary>
      {open && <Words picture={picture} run={run} jointC={jointC} scale={scale} />}
    </details>
  );
}

function Words({ picture: { plan, curve, joint, estimated }, run, jointC, scale }: Props) {
  const peak = Math.max(...plan.target_c.filter((v): v is number => v !== null));
  const step = curve.end > 900 ? 60 : 30;
  const rows: { s: number; i: number }[] = [];
  for (let s = 0; s <= curve.end; s += step) rows.push({ s, i: nearest(curve.x, s) });
  return (
    <>
      <p>
        Plan of {clock(plan.time_s.at(-1) ?? 0)} with a peak of {temp(peak, scale, 0)}; liquidus {temp(plan.liquidus_c, scale, 0)}. Segments:{' '}
        {plan.segments.map((g) => `${g.name} from ${clock(g.from_s)} to ${clock(g.to_s)}`).join(', ')}.
        {run && ` At ${clock(run.elapsed_s)} the coldest joint is ${temp(jointC, scale)}`}
        {run && jointC !== null && `, ${diff(jointC - run.target_c, scale)} ${jointC >= run.target_c ? 'above' : 'below'} plan`}
        {run && corridor(planAt(plan, plan.low_c, run.profile_s), planAt(plan, plan.high_c, run.profile_s), scale)}
        {run && '.'}
      </p>
      <div class="table-box" tabIndex={0} role="region" aria-label="Table of the chart">
        <table>
          <thead><tr><th scope="col">Time</th><th scope="col">Plan</th><th scope="col">Corridor</th><th scope="col">Coldest joint</th></tr></thead>
          <tbody>
            {rows.map(({ s, i }) => (
              <tr key={s}>
                <th scope="row">{clock(s)}</th>
                <td>{temp(curve.target[i] ?? null, scale, 0)}</td>
                <td>{digits(curve.low[i] ?? null, scale, 0)} to {digits(curve.high[i] ?? null, scale, 0)}</td>
                <td>{joint[i] != null ? temp(joint[i], scale) : estimated[i] != null ? `${temp(estimated[i], scale)} estimated` : curve.now !== null && s > curve.now ? 'to come' : 'none'}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </>
  );
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
