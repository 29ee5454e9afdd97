// The number everything is about: the coldest joint, large enough for one eye from a metre away, with where it comes
// from, how it compares with the plan, and whether the solder is solid there.

import { planAt } from '../logic/curve.ts';
import { meltOf, sightOf, type Melt, type Sight } from '../logic/sight.ts';
import { diff, digits, giveOrTake, roughlySaid, temp, type Scale } from '../logic/units.ts';
import { capital } from '../logic/words.ts';
import { Stamp } from './ended.tsx';
import type { Plan, State } from '../wire.ts';

interface Props { s: State; plan: Plan | null; melt: Plan | null; scale: Scale }

export function JointPanel({ s, plan, melt, scale }: Props) {
  const g = sightOf(s);
  const guess = g.how === 'estimated' || g.how === 'not_yet';
  return (
    <section class={`sheet joint${guess ? ' guessed' : ''}`} aria-labelledby="joint-title">
      <h2 id="joint-title">{guess ? 'Coldest joint, estimated' : 'Coldest joint'}</h2>
      <div class="joint-main">
        {g.how === 'estimated' ? <Guess c={g.c} doubt={g.doubt} scale={scale} /> : (
          <p class="huge">
            <span class="number">{g.how === 'measured' ? digits(g.c, scale) : '– –'}</span>
            <span class="unit">°{scale}</span>
          </p>
        )}
        <Ball g={g} plan={melt} />
        <div class="from">
          {g.how === 'estimated' && <strong class="doubt" aria-hidden="true">{giveOrTake(g.doubt, scale)}</strong>}
          <p>{source(g)}{g.how === 'estimated' && <span class="roomy"> Within the ± 19 times in 20.</span>}</p>
        </div>
      </div>
      {s.run?.bounded_peak && guess && <p class="lowered"><strong>Lowered peak.</strong> Solder may not melt everywhere: never pull.</p>}
      {s.run && plan && <Against s={s} plan={plan} scale={scale} g={g} />}
      {s.ended && <Outcome s={s} />}
    </section>
  );
}

// An estimate has a form of its own: framed by dashes, whole degrees behind "≈", its doubt below.
// The signs are for the eye; the ear gets a sentence.
function Guess({ c, doubt, scale }: { c: number; doubt: number; scale: Scale }) {
  return (
    <p class="huge guess">
      <span class="heard-only">Estimated at {roughlySaid(c, doubt, scale)}.</span>
      <span class="guess-number" aria-hidden="true"><span class="sign">≈</span><span class="number">{digits(c, scale, 0)}</span><span class="unit">°{scale}</span></span>
    </p>
  );
}

// Which sensor, and whether it measures or is estimated; a bad one says how bad instead of a number.
function source(g: Sight): string {
  switch (g.how) {
    case 'measured': return `${g.label}, measured`;
    case 'estimated': return 'Nothing measures it.';
    case 'not_yet': return 'No estimate yet. Nothing measures it.';
    case 'unwatched': return 'Nothing measured the joint in this run.';
    case 'bad': return `${g.label}: ${g.health}`;
    default: return 'No joint is measured.';
  }
}

// Where the plan wants the joint, and by how much it misses.
function Against({ s, plan, scale, g }: { s: State; plan: Plan; scale: Scale; g: Sight }) {
  const run = s.run!;
  if (s.state !== 'running' && s.state !== 'restarting' && s.state !== 'holding' && s.state !== 'held') return null;
  const low = planAt(plan, plan.low_c, run.profile_s);
  const high = planAt(plan, plan.high_c, run.profile_s);
  return (
    <dl class="against">
      <div><dt>Plan</dt><dd>{temp(run.target_c, scale)}</dd></div>
      <div><dt>Off plan</dt><dd>{offPlan(g, run.target_c, scale)}</dd></div>
      {low !== null && high !== null && <div><dt>Corridor</dt><dd>{digits(low, scale, 0)} to {temp(high, scale, 0)}</dd></div>}
    </dl>
  );
}

// A tenth of a degree off means something where it is measured only.
function offPlan(g: Sight, target: number, scale: Scale): string {
  if (g.how !== 'measured' && g.how !== 'estimated') return 'unknown';
  const off = g.c - target;
  const way = off > 0 ? 'above' : 'below';
  if (g.how === 'estimated') return Math.abs(off) < 0.5 ? '≈ nothing' : `≈ ${diff(off, scale, 0)} ${way}`;
  return Math.abs(off) < 0.05 ? 'nothing' : `${diff(off, scale)} ${way}`;
}

// Once a run is over, what it was judged to be stands where the comparison with the plan stood.
function Outcome({ s }: { s: State }) {
  if (s.state === 'idle' || !s.run?.verdict) return null;
  const pass = s.run.verdict === 'pass';
  return <p class="verdict"><Stamp pass={pass} /> {pass ? 'Inside every limit' : 'A limit was missed'}</p>;
}

const balls: Record<Melt, string> = {
  solid: 'M18 14h24c9 8 9 24 0 32H18c-9-8-9-24 0-32z',
  softening: 'M17 18h26c9 7 9 21 0 28H17c-9-7-9-21 0-28z',
  molten: 'M14 24h32c9 6 9 16 2 22H12c-7-6-7-16 2-22z',
};

// The ball between its two pads: round and hatched, sagging, or flat and full. The shape says it without the colour.
// What rests on an estimate is said to be likely and no more.
function Ball({ g, plan }: { g: Sight; plan: Plan | null }) {
  const melt = plan && meltOf(g, plan);
  if (!melt) return null;
  const guess = g.how === 'estimated';
  const top = melt === 'solid' ? 9 : melt === 'softening' ? 13 : 19;
  return (
    <figure class={`ball ${melt}${guess ? ' guess' : ''}`}>
      <svg viewBox="0 0 60 56" aria-hidden="true">
        <rect x="8" y={top} width="44" height="5" class="pad" />
        <rect x="8" y="46" width="44" height="5" class="pad" />
        <path d={balls[melt]} class="metal" />
        {melt === 'solid' && <path d="M16 24l14-9M14 34l28-18M18 42l28-18M30 45l16-10" class="hatch" />}
      </svg>
      <figcaption>{!guess ? capital(melt) : melt === 'softening' ? 'Unsure' : `Likely ${melt}`}</figcaption>
    </figure>
  );
}
