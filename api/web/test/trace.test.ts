import assert from 'node:assert/strict';
import { test } from 'node:test';
import { TraceStore } from '../src/logic/trace.ts';
import { aRunState } from './helpers.ts';

const recorded = (id: number, from: number, to: number) => {
  const time = Array.from({ length: to - from + 1 }, (_, i) => from + i);
  return { run_id: id, channels: [{ name: 'j1', unit: '°C', kind: 'sensor' }, { name: 'duty:top', unit: '1', kind: 'duty' }],
    time_s: time, profile_s: time, columns: [time.map((t) => 20 + t), time.map(() => 0.5)] };
};

test('after a reload the record comes first and the stream goes on from it', () => {
  const t = new TraceStore();
  t.add(aRunState(5, 61, 81));
  t.fill(recorded(5, 0, 60));
  t.add(aRunState(5, 62, 82));
  assert.equal(t.time.length, 63);
  assert.equal(t.column('j1')[0], 20);
  assert.equal(t.column('j1').at(-1), 82);
  assert.deepEqual(t.names(), ['j1']);
});

test('a record from the middle is put after what is already there', () => {
  const t = new TraceStore();
  t.fill(recorded(5, 0, 60));
  t.fill(recorded(5, 61, 90));
  assert.equal(t.time.length, 91);
  assert.equal(t.column('j1').length, 91);
});

test('time never goes back and a repeated state adds nothing', () => {
  const t = new TraceStore();
  assert.ok(t.add(aRunState(5, 3, 50)));
  assert.ok(!t.add(aRunState(5, 3, 51)));
  assert.ok(!t.add(aRunState(5, 2, 52)));
  assert.equal(t.time.length, 1);
});

test('a bad reading is a gap', () => {
  const t = new TraceStore();
  t.add(aRunState(5, 1, 50));
  t.add(aRunState(5, 2, null));
  assert.deepEqual(t.column('j1'), [50, null]);
});

test('a new run begins a new trace', () => {
  const t = new TraceStore();
  t.add(aRunState(5, 100, 50));
  t.add(aRunState(6, 1, 25));
  assert.deepEqual(t.time, [1]);
});

test('the rows before a run has its number belong to it', () => {
  const t = new TraceStore();
  t.add(aRunState(0, 0.1, 20));
  t.add(aRunState(9, 0.2, 21));
  assert.deepEqual(t.time, [0.1, 0.2]);
});

test('a three-hour run stays bounded and keeps its peak', () => {
  const t = new TraceStore();
  for (let i = 1; i <= 40_000; i++) t.add(aRunState(5, i / 4, i === 20_001 ? 262 : 200));
  assert.ok(t.time.length <= 12_000, `${t.time.length}`);
  assert.ok(t.column('j1').includes(262));
  assert.equal(t.last(), 10_000);
});

const estimates = (id: number, from: number, to: number) => {
  const t = recorded(id, from, to);
  t.channels.push({ name: 'joint_estimate', unit: '°C', kind: 'estimate' }, { name: 'joint_doubt', unit: '°C', kind: 'doubt' });
  t.columns.push(t.time_s.map((s) => 21 + s), t.time_s.map(() => 2));
  return t;
};

test('beside a measured joint its estimate is filled in from the record, and nothing measured changes', () => {
  const t = new TraceStore();
  for (let i = 1; i <= 8; i++) t.add(aRunState(5, i / 2, 100 + i));
  t.compare(estimates(5, 1, 3));
  assert.deepEqual(t.column('joint_estimate'), [null, 22, 22, 23, 23, 24, 24, 24]);
  assert.deepEqual(t.column('j1'), [101, 102, 103, 104, 105, 106, 107, 108]);
});

test('an estimate of another run, or an old one, is not put beside this one', () => {
  const t = new TraceStore();
  t.add(aRunState(5, 1, 50));
  t.add(aRunState(5, 60, 90));
  t.compare(estimates(4, 0, 2));
  assert.deepEqual(t.column('joint_estimate'), []);
  t.compare(estimates(5, 0, 2));
  assert.deepEqual(t.column('joint_estimate'), [22, null]);
});

test('an estimated joint comes live with its doubt, and the record of it has the same columns', () => {
  const t = new TraceStore();
  t.fill(estimates(5, 0, 10));
  t.add({ ...aRunState(5, 11, null), joint: { sensor: 'joint_estimate', label: '', temp_c: 40, quality: 'good', estimated: true, doubt_c: 3 } });
  assert.deepEqual([t.column('joint_estimate').at(-1), t.column('joint_doubt').at(-1), t.column('joint_estimate').at(-2)], [40, 3, 31]);
});
