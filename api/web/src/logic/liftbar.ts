// The lift window as one bar in two stretches: first the joint has to be molten for long enough, then the window is
// open and runs out. The bar only ever fills; the time left stands beside it.

import type { Lift } from '../wire.ts';
import { clock } from './words.ts';

/** Where on the bar the window opens, as a part of its length. Fixed, so that the eye learns it. */
export const OPENS_AT = 0.4;

export interface LiftBar {
  stage: 'none' | 'waiting' | 'melting' | 'open' | 'confirmed' | 'missed';
  fill: number; // 0…1
  text: string; // one sentence or less, for everybody
  large: string; // the same as a number to be seen from a metre away, and what it counts; empty where none counts
  small: string;
}

/** The bar for a lift state; longest is the most time left that was seen since the window opened, s. */
export function liftBar(lift: Lift, longest: number, removal: boolean): LiftBar {
  if (lift.confirmed) return { stage: 'confirmed', fill: 1, text: removal ? 'The part is off.' : 'The part sits.', large: '', small: '' };
  if (lift.missed) return { stage: 'missed', fill: 1, text: 'The window closed before anyone confirmed.', large: '', small: '' };
  if (lift.open) {
    const left = lift.left_s ?? 0;
    const used = longest > 0 ? 1 - Math.min(1, left / longest) : 0;
    return { stage: 'open', fill: OPENS_AT + (1 - OPENS_AT) * used, text: `${clock(left)} left`, large: clock(left), small: 'left' };
  }
  if (lift.molten_for_s > 0) {
    const part = lift.needed_s > 0 ? Math.min(1, lift.molten_for_s / lift.needed_s) : 1;
    const molten = Math.floor(lift.molten_for_s);
    const needed = Math.round(lift.needed_s);
    return { stage: 'melting', fill: OPENS_AT * part, text: `Molten ${molten} of ${needed} s`, large: String(molten), small: `of ${needed} s molten` };
  }
  if (lift.waiting) return { stage: 'waiting', fill: 0, text: 'Waiting for the coldest joint to melt', large: '0', small: `of ${Math.round(lift.needed_s)} s molten` };
  return { stage: 'none', fill: 0, text: '', large: '', small: '' };
}
