// The lift window: one bar in two stretches, with the words that tell what to do. The deed itself is in the rail.

import { liftBar, OPENS_AT } from '../logic/liftbar.ts';
import type { State } from '../wire.ts';

const titles = {
  waiting: 'Nearly', melting: 'Ready the tool', open: 'Now', confirmed: 'Done', missed: 'Missed', none: '',
};

export function LiftPanel({ s, longest }: { s: State; longest: number }) {
  if (s.state === 'idle' || !s.run) return null;
  const removal = s.run.kind === 'removal';
  const bar = liftBar(s.lift, longest, removal);
  const over = s.state === 'complete' || s.state === 'stopped' || s.state === 'aborted';
  if (bar.stage === 'none' || (over && bar.stage !== 'missed') || (s.phase === 'cooling' && bar.stage === 'confirmed')) return null;
  const title = bar.stage === 'open' ? (removal ? 'Lift the part' : 'Let it sit') : titles[bar.stage];
  return (
    <section class={`lift ${bar.stage}`} aria-label="Lift window">
      <p class="lift-words"><strong>{title}</strong> <span>{bar.text}</span></p>
      <div class="lift-bar" role="progressbar" aria-label="Lift window" aria-valuemin={0} aria-valuemax={100}
        aria-valuenow={Math.round(bar.fill * 100)} aria-valuetext={bar.text}>
        <div class="lift-fill" style={{ transform: `scaleX(${bar.fill})` }} />
        <div class="lift-mark" style={{ left: `${OPENS_AT * 100}%` }} />
      </div>
      <p class="lift-scale" aria-hidden="true"><span style={{ width: `${OPENS_AT * 100}%` }}>molten</span><span>window open</span></p>
    </section>
  );
}
