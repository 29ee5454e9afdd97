import assert from 'node:assert/strict';
import { test } from 'node:test';
import { lessonWords, meltOf, orderOf, ranUnwatched, sightOf, unwatched, type Draft } from '../src/logic/sight.ts';
import type { Joint, Plan, RunDetail, State } from '../src/wire.ts';
import { aRunState } from './helpers.ts';

const plan: Plan = { profile: 'p', time_s: [0], target_c: [100], low_c: [90], high_c: [110], segments: [], liquidus_c: 217, solidus_c: 217 };
const measured: Joint = { sensor: 'j1', label: 'Corner', temp_c: 187.4, quality: 'good', estimated: false, doubt_c: null };
const guessed: Joint = { sensor: 'joint_estimate', label: 'Joint, estimated', temp_c: 187.4, quality: 'good', estimated: true, doubt_c: 2.6 };

const blindRun = (joint: Joint | null, change: Partial<State> = {}): State => {
  const s = aRunState(5, 60, 24);
  return { ...s, run: { ...s.run!, no_joint: true }, joint, ...change };
};
const draft = (change: Partial<Draft>): Draft => ({ board: 'b', part: '', serial: '', proof: false, noJoint: false, lowered: false, ...change });

test('an estimate is an estimate, with its doubt, and never a measurement', () => {
  assert.deepEqual(sightOf(blindRun(guessed)), { how: 'estimated', c: 187.4, doubt: 2.6 });
  assert.equal(sightOf({ ...aRunState(5, 60, 24), joint: measured }).how, 'measured');
});

test('an estimate whose doubt is not told is no number', () => {
  assert.equal(sightOf(blindRun({ ...guessed, doubt_c: null })).how, 'not_yet');
  assert.equal(sightOf(blindRun({ ...guessed, temp_c: null, quality: 'not_read' })).how, 'not_yet');
});

test('after a run without a joint thermocouple, what hangs beside the board is not its joint', () => {
  for (const state of ['stopped', 'aborted', 'complete'] as const) assert.equal(sightOf(blindRun(measured, { state })).how, 'unwatched');
  assert.equal(sightOf(blindRun(measured, { state: 'idle' })).how, 'measured');
  assert.ok(!unwatched(aRunState(5, 60, 24)));
});

test('a joint that does not read says how bad it is', () => {
  assert.deepEqual(sightOf({ ...aRunState(5, 60, 24), joint: { ...measured, temp_c: null, quality: 'open' } }), { how: 'bad', label: 'Corner', health: 'failure' });
  assert.equal(sightOf(aRunState(5, 60, 24)).how, 'none');
});

test('solder is called molten by an estimate only where all of its band is', () => {
  const at = (c: number, doubt: number) => meltOf({ how: 'estimated', c, doubt }, plan);
  assert.equal(at(219, 3), 'softening');
  assert.equal(at(220, 3), 'molten');
  assert.equal(at(215, 3), 'softening');
  assert.equal(at(213, 3), 'solid');
  assert.equal(meltOf({ how: 'measured', c: 217, label: '' }, plan), 'molten');
  assert.equal(meltOf({ how: 'unwatched' }, plan), null);
});

test('without a joint thermocouple the proof is always asked for', () => {
  assert.deepEqual(orderOf(draft({ noJoint: true }), 'p', 'removal'), { profile: 'p', kind: 'removal', board: 'b', part: '', serial: '', proof: true, no_joint: true });
  assert.equal(orderOf(draft({ noJoint: true, lowered: true }), 'p', 'removal').bounded_peak, true);
});

test('a lowered peak that was picked before a thermocouple was chosen is not asked for', () => {
  assert.deepEqual(orderOf(draft({ lowered: true }), 'p', 'removal'), { profile: 'p', kind: 'removal', board: 'b', part: '', serial: '', proof: false });
});

test('how many boards were learned from is said in words, and not knowing is not none', () => {
  assert.match(lessonWords(0), /^no board/);
  assert.match(lessonWords(1), /^one board .* was/);
  assert.match(lessonWords(3), /^3 boards .* were/);
  assert.match(lessonWords(null), /not known/);
});

test('a kept run that was judged by the estimate is known as one without a joint thermocouple', () => {
  const run = (columns: { name: string; role: string }[], code = 'complete') =>
    ({ code, judgement: { verdict: 'pass', summary: '', checks: [], notes: null, columns } }) as unknown as RunDetail;
  assert.ok(ranUnwatched(run([{ name: 'joint_estimate', role: 'joint' }])));
  assert.ok(!ranUnwatched(run([{ name: 'j1', role: 'joint' }])));
  assert.ok(ranUnwatched(run([], 'not_kin')));
  assert.ok(!ranUnwatched({ ...run([], 'not_kin'), no_joint: false }));
});
