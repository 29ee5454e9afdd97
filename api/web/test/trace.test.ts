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
