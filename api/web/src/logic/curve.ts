// Lays the plan and the trace on one time axis. The plan lives in profile time, which stands still while a run waits or
// is held; the chart lives in real time since the start. So the past of the corridor is drawn where it really happened
// (a wait becomes a level stretch), and its future is shifted by the waiting so far.

import type { Plan } from '../wire.ts';
import type { Column } from './thin.ts';

export interface Past { time: number[]; profile: number[]; columns: Column[] }

export interface Curve {
  x: number[]; // s since the start of the run, rising
  low: Column; high: Column; target: Column;
  columns: Column[]; // as in Past, null in the future
  now: number | null; // where the past ends; null for a preview
  end: number; // where the run will end if nothing waits any more, s
  at: (profileS: number) => number; // real time at which a moment of the plan is or was reached, s
}

/** Value of one of the plan's curves at profile time p, by straight lines; null outside it or beside a missing value. */
export function planAt(plan: Plan, curve: (number | null)[], p: number): number | null {
  const t = plan.time_s;
  const n = t.length;
  if (n === 0 || !(p >= t[0]!)) return null;
  if (p >= t[n - 1]!) return curve[n - 1] ?? null;
  let lo = 0;
  let hi = n - 1;
  while (hi - lo > 1) {
    const mid = (lo + hi) >> 1;
    if (t[mid]! <= p) lo = mid;
    else hi = mid;
  }
  const a = curve[lo] ?? null;
  const b = curve[hi] ?? null;
  if (a === null || b === null) return null;
  return a + ((b - a) * (p - t[lo]!)) / (t[hi]! - t[lo]!);
}

/** Builds the chart's rows. past is null for a preview; live says that the plan still goes on from its end. */
export function layOut(plan: Plan, past: Past | null, live: boolean): Curve {
  const n = past ? past.time.length : 0;
  const now = past && n > 0 ? past.time[n - 1]! : null;
  const reached = past && n > 0 ? past.profile[n - 1]! : -Infinity;
  const shift = now === null ? 0 : now - reached; // time spent waiting so far
  const out: Curve = {
    x: [], low: [], high: [], target: [], columns: (past?.columns ?? []).map(() => []), now, end: 0,
    at: (p) => (p >= reached || !past ? p + shift : realTime(past, p)),
  };
  for (let i = 0; i < n; i++) {
    out.x.push(past!.time[i]!);
    const p = past!.profile[i]!;
    out.low.push(planAt(plan, plan.low_c, p));
    out.high.push(planAt(plan, plan.high_c, p));
    out.target.push(planAt(plan, plan.target_c, p));
    past!.columns.forEach((c, k) => out.columns[k]!.push(c[i] ?? null));
  }
  // After a stop the rest of the plan still shows what was meant, so it is drawn either way.
  plan.time_s.forEach((p, i) => {
    const t = p + shift;
    if (!(p > reached) || (now !== null && !(t > now))) return;
    out.x.push(t);
    out.low.push(plan.low_c[i] ?? null);
    out.high.push(plan.high_c[i] ?? null);
    out.target.push(plan.target_c[i] ?? null);
    for (const c of out.columns) c.push(null);
  });
  const planned = (plan.time_s.at(-1) ?? 0) + shift;
  out.end = Math.max(planned, now ?? 0, live ? (now ?? 0) + 30 : 0, 1);
  return out;
}

// First moment at which the past had reached profile time p.
function realTime(past: Past, p: number): number {
  let lo = 0;
  let hi = past.profile.length - 1;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (past.profile[mid]! >= p) hi = mid;
    else lo = mid + 1;
  }
  return past.time[lo] ?? p;
}

/** The coldest of several columns, row by row; null where none has a value. */
export function coldest(columns: Column[], rows: number): Column {
  const out: Column = [];
  for (let i = 0; i < rows; i++) {
    let least: number | null = null;
    for (const c of columns) {
      const v = c[i] ?? null;
      if (v !== null && (least === null || v < least)) least = v;
    }
    out.push(least);
  }
  return out;
}

/** Low and high edge of an estimate's band, row by row; null where either is missing. */
export function bandOf(mid: Column, half: Column): [Column, Column] {
  const edge = (sign: number) => mid.map((v, i) => { const h = half[i] ?? null; return v === null || h === null ? null : v + sign * h; });
  return [edge(-1), edge(1)];
}

/** Round steps for a time axis of `span` seconds so that at most `most` marks appear. */
export function timeStep(span: number, most: number): number {
  const steps = [5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600];
  return steps.find((s) => span / s <= most) ?? 7200;
}

/** Round steps for a temperature axis of `span` degrees, either scale. */
export function tempStep(span: number, most: number): number {
  const steps = [10, 20, 25, 50, 100, 200];
  return steps.find((s) => span / s <= most) ?? 500;
}
