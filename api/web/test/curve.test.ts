import assert from 'node:assert/strict';
import { test } from 'node:test';
import { bandOf, coldest, layOut, planAt, tempStep, timeStep } from '../src/logic/curve.ts';

const plan = {
  profile: 'p', time_s: [0, 10, 20, 30], target_c: [20, 40, 60, 60], low_c: [15, 35, 55, null], high_c: [25, 45, 65, 65],
  segments: [], liquidus_c: 217, solidus_c: 217,
};

test('between two points the plan is a straight line, before it there is none', () => {
  assert.equal(planAt(plan, plan.target_c, 5), 30);
  assert.equal(planAt(plan, plan.target_c, -1), null);
  assert.equal(planAt(plan, plan.target_c, 99), 60);
  assert.equal(planAt(plan, plan.low_c, 25), null);
});

test('a preview is the plan from its start to its end', () => {
  const c = layOut(plan, null, false);
  assert.deepEqual(c.x, [0, 10, 20, 30]);
  assert.equal(c.now, null);
  assert.equal(c.end, 30);
  assert.equal(c.at(20), 20);
});

test('a wait makes the past level and moves the future back', () => {
  const past = { time: [0, 5, 10, 15, 20], profile: [0, 5, 5, 5, 10], columns: [[20, 25, 28, 30, 39]] };
  const c = layOut(plan, past, true);
  assert.deepEqual(c.x, [0, 5, 10, 15, 20, 30, 40]);
  assert.deepEqual(c.target, [20, 30, 30, 30, 40, 60, 60]);
  assert.deepEqual(c.columns[0], [20, 25, 28, 30, 39, null, null]);
  assert.equal(c.now, 20);
  assert.equal(c.at(20), 30); // still to come, ten seconds late
  assert.equal(c.at(10), 20); // when it was reached
  assert.equal(c.at(5), 5);
});

test('a run that outlasts its plan still fits on the axis', () => {
  const past = { time: [0, 100], profile: [0, 100], columns: [] };
  assert.ok(layOut(plan, past, true).end >= 100);
});

test('the coldest joint is the lowest of those that read', () => {
  assert.deepEqual(coldest([[10, null, null], [12, 11, null]], 3), [10, 11, null]);
});

test('axis marks are round and few', () => {
  assert.equal(timeStep(420, 8), 60);
  assert.equal(timeStep(420, 4), 120);
  assert.equal(tempStep(300, 6), 50);
});

test('the band of an estimate is open where the estimate or its doubt is missing', () => {
  assert.deepEqual(bandOf([100, null, 120], [3, 3, null]), [[97, null, null], [103, null, null]]);
});
