// The number everything is about: the coldest joint, large enough for one eye from a metre away, with where it comes
// from, how it compares with the plan, and whether the solder is solid there.

import { planAt } from '../logic/curve.ts';
import { diff, digits, temp, type Scale } from '../logic/units.ts';
import { capital, healthOf } from '../logic/words.ts';
import { Stamp } from './ended.tsx';
import type { Joint, Plan, State } from '../wire.ts';

interface Props { s: State; plan: Plan | null; melt: Plan | null; scale: Scale }

export function JointPanel({ s, plan, melt, scale }: Props) {
  const j = s.joint;
  const good = j !== null && j.temp_c !== null && healthOf(j.quality) === 'good';
  return (
    <section class="sheet joint" aria-labelledby="joint-title">
      <h2 id="joint-title">Coldest joint</h2>
      <div class="joint-main">
        <p class={`huge${j?.estimated ? ' estimated' : ''}`}>
          <span class="number">{good ? digits(j.temp_c, scale) : '– –'}</span>
          <span class="unit">°{scale}</span>
        </p>
        <Ball c={good ? j.temp_c : null} plan={melt} />
        <p class="from">{source(j, good)}</p>
      </div>
      {s.run && plan && <Against s={s} plan={plan} scale={scale} good={good} />}
      {s.ended && <Outcome s={s} />}
    </section>
  );
}

// Which sensor, and whether it measures or is estimated; a bad one says how bad instead of a number.
function source(j: Joint | null, good: boolean): string {
  if (!j) return 'No joint is measured.';
  if (!good) return `${j.label}: ${healthOf(j.quality)}`;
  return j.estimated ? `${j.label}, estimated: nothing measures it` : `${j.label}, measured`;
}

// Where the plan wants the joint, and by how much it misses.
function Against({ s, plan, scale, good }: { s: State; plan: Plan; scale: Scale; good: boolean }) {
  const run = s.run!;
  if (s.state !== 'running' && s.state !== 'restarting' && s.state !== 'holding' && s.state !== 'held') return null;
  const off = good ? s.joint!.temp_c! - run.target_c : null;
  const low = planAt(plan, plan.low_c, run.profile_s);
  const high = planAt(plan, plan.high_c, run.profile_s);
  return (
    <dl class="against">
      <div><dt>Plan</dt><dd>{temp(run.target_c, scale)}</dd></div>
      <div><dt>Off plan</dt><dd>{off === null ? 'unknown' : Math.abs(off) < 0.05 ? 'nothing' : `${diff(off, scale)} ${off > 0 ? 'above' : 'below'}`}</dd></div>
      {low !== null && high !== null && <div><dt>Corridor</dt><dd>{digits(low, scale, 0)} to {temp(high, scale, 0)}</dd></div>}
    </dl>
  );
}

// Once a run is over, what it was judged to be stands where the comparison with the plan stood.
function Outcome({ s }: { s: State }) {
  if (s.state === 'idle' || !s.run?.verdict) return null;
  const pass = s.run.verdict === 'pass';
  return <p class="verdict"><Stamp pass={pass} /> {pass ? 'Inside every limit' : 'A limit was missed'}</p>;
}

type Melt = 'solid' | 'softening' | 'molten';

// What the solder should be at this temperature. An inference from the alloy's data, not an observation: the person
// at the bench still tests whether the part floats.
function meltAt(c: number, plan: Plan): Melt {
  if (c >= plan.liquidus_c) return 'molten';
  return c >= plan.solidus_c ? 'softening' : 'solid';
}

const balls: Record<Melt, string> = {
  solid: 'M18 14h24c9 8 9 24 0 32H18c-9-8-9-24 0-32z',
  softening: 'M17 18h26c9 7 9 21 0 28H17c-9-7-9-21 0-28z',
  molten: 'M14 24h32c9 6 9 16 2 22H12c-7-6-7-16 2-22z',
};

// The ball between its two pads: round and hatched, sagging, or flat and full. The shape says it without the colour.
function Ball({ c, plan }: { c: number | null; plan: Plan | null }) {
  if (c === null || !plan || !(plan.liquidus_c > 0)) return null;
  const melt = meltAt(c, plan);
  const top = melt === 'solid' ? 9 : melt === 'softening' ? 13 : 19;
  return (
    <figure class={`ball ${melt}`}>
      <svg viewBox="0 0 60 56" aria-hidden="true">
        <rect x="8" y={top} width="44" height="5" class="pad" />
        <rect x="8" y="46" width="44" height="5" class="pad" />
        <path d={balls[melt]} class="metal" />
        {melt === 'solid' && <path d="M16 24l14-9M14 34l28-18M18 42l28-18M30 45l16-10" class="hatch" />}
      </svg>
      <figcaption>{capital(melt)}</figcaption>
    </figure>
  );
}
