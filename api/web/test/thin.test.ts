import assert from 'node:assert/strict';
import { test } from 'node:test';
import { thin } from '../src/logic/thin.ts';

const ramp = (n: number) => Array.from({ length: n }, (_, i) => i);

test('few rows are left alone', () => {
  const rows = { x: ramp(100), columns: [ramp(100)] };
  assert.equal(thin(rows, 0, 99, 50), rows);
});

test('at most two points remain per pixel column', () => {
  const out = thin({ x: ramp(36000), columns: [ramp(36000).map((i) => Math.sin(i / 50))] }, 0, 36000, 600);
  const perColumn = new Map<number, number>();
  for (const x of out.x) perColumn.set(Math.floor(x / 60), (perColumn.get(Math.floor(x / 60)) ?? 0) + 1);
  // The newest row stands by itself, so its column may hold one more.
  for (const [k, n] of perColumn) assert.ok(n <= (k === 599 ? 3 : 2), `column ${k} has ${n}`);
  assert.ok(out.x.length > 1100);
});

test('a spike of one sample up and one down survive in their column, in their order', () => {
  const y = ramp(10000).map(() => 100);
  y[4321] = 290;
  y[4325] = 12;
  const out = thin({ x: ramp(10000), columns: [y] }, 0, 10000, 100);
  assert.equal(Math.max(...(out.columns[0] as number[])), 290);
  assert.equal(Math.min(...(out.columns[0] as number[])), 12);
  assert.ok(out.columns[0]!.indexOf(290) < out.columns[0]!.indexOf(12));
  const at = out.x[out.columns[0]!.indexOf(290)]!;
  assert.ok(at >= 4300 && at < 4400, `spike at ${at}`);
});

test('each column keeps its own extremes', () => {
  const a = ramp(10000).map(() => 0);
  const b = ramp(10000).map(() => 0);
  a[100] = 5;
  b[150] = -7;
  const out = thin({ x: ramp(10000), columns: [a, b] }, 0, 10000, 50);
  assert.ok(out.columns[0]!.includes(5));
  assert.ok(out.columns[1]!.includes(-7));
});

test('a column without values stays a gap, and NaN is no value', () => {
  const y: (number | null)[] = ramp(10000).map((i) => (i >= 2000 && i < 4000 ? null : i === 5 ? NaN : i));
  const out = thin({ x: ramp(10000), columns: [y] }, 0, 10000, 100);
  out.x.forEach((x, i) => {
    if (x >= 2000 && x < 4000) assert.equal(out.columns[0]![i], null);
    else assert.ok(Number.isFinite(out.columns[0]![i]), `at ${x}`);
  });
});

test('the newest row is always there as it is, and x rises', () => {
  const out = thin({ x: ramp(5000), columns: [ramp(5000)] }, 0, 8000, 64);
  assert.equal(out.x.at(-1), 4999);
  assert.equal(out.columns[0]!.at(-1), 4999);
  out.x.forEach((x, i) => i > 0 && assert.ok(x > out.x[i - 1]!));
});
