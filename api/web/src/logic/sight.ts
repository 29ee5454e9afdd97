// How the joint is known: measured, estimated, or not at all. Everything that shows a joint asks here first, so that what
// nothing measures is never drawn like a measurement. Pure.

import type { Plan, RunDetail, RunLine, StartOrder, State } from '../wire.ts';
import { ESTIMATE } from './trace.ts';
import { healthOf } from './words.ts';

export type Sight =
  | { how: 'measured'; c: number; label: string }
  | { how: 'estimated'; c: number; doubt: number }
  | { how: 'not_yet' } // an estimate is to come
  | { how: 'unwatched' } // the run had no thermocouple at the joint and is over
  | { how: 'bad'; label: string; health: string }
  | { how: 'none' }; // no joint sensor is fitted

/** Whether the run on the station is one that no joint thermocouple watches, also after its end until it is put away. */
export function unwatched(s: State): boolean {
  return s.run !== null && s.run.no_joint && s.state !== 'idle';
}

/** How the joint is known now. */
export function sightOf(s: State): Sight {
  const j = s.joint;
  const good = j !== null && j.temp_c !== null && healthOf(j.quality) === 'good';
  if (j?.estimated) {
    // Without its doubt an estimate is worth nothing: it would read as exact.
    return good && j.doubt_c !== null ? { how: 'estimated', c: j.temp_c!, doubt: j.doubt_c } : { how: 'not_yet' };
  }
  // A joint sensor may hang in the air beside a board that was run without: its number says nothing about the joint.
  if (unwatched(s)) return { how: 'unwatched' };
  if (!j) return { how: 'none' };
  return good ? { how: 'measured', c: j.temp_c!, label: j.label } : { how: 'bad', label: j.label, health: healthOf(j.quality) };
}

export type Melt = 'solid' | 'softening' | 'molten';

/**
 * What the solder should be. An inference from the alloy's data, not an observation: the person at the bench still tests
 * whether the part floats. Of an estimate, what is true all over its band; 'softening' where the band spans more.
 */
export function meltOf(g: Sight, plan: Plan): Melt | null {
  if ((g.how !== 'measured' && g.how !== 'estimated') || !(plan.liquidus_c > 0)) return null;
  const doubt = g.how === 'estimated' ? g.doubt : 0;
  if (g.c - doubt >= plan.liquidus_c) return 'molten';
  return g.c + doubt >= plan.solidus_c ? 'softening' : 'solid';
}

/** What is typed and chosen for the next run. */
export interface Draft { board: string; part: string; serial: string; proof: boolean; noJoint: boolean; lowered: boolean }

/**
 * What is sent of it. Without a joint thermocouple the proof is always asked for, and a lowered peak is never asked for with
 * one: what was picked before the other choice changed does not count.
 */
export function orderOf(d: Draft, profile: string, kind: string): StartOrder {
  const order: StartOrder = { profile, kind, board: d.board, part: d.part, serial: d.serial, proof: d.proof || d.noJoint };
  if (!d.noJoint) return order;
  return d.lowered ? { ...order, no_joint: true, bounded_peak: true } : { ...order, no_joint: true };
}

/** How many boards of the type on the machine were learned from, in words; null: the station has not said. */
export function lessonWords(n: number | null): string {
  if (n === null) return 'how many boards of this type were learned from is not known';
  if (n === 0) return 'no board of this type has been learned from yet';
  return n === 1 ? 'one board of this type was learned from' : `${n} boards of this type were learned from`;
}

// Endings that only a run without a joint thermocouple can have.
const endings = new Set(['not_kin', 'no_estimate']);

/** Whether a kept run had no thermocouple at the joint: as the station says, or as what was judged or how it ended shows. */
export function ranUnwatched(r: RunLine | RunDetail): boolean {
  if (r.no_joint !== undefined) return r.no_joint;
  if (endings.has(r.code)) return true;
  return 'judgement' in r && (r.judgement?.columns?.some((c) => c.name === ESTIMATE && c.role === 'joint') ?? false);
}
