import assert from 'node:assert/strict';
import { test } from 'node:test';
import { News, STALE_AFTER_MS } from '../src/logic/fresh.ts';

test('before the first state everything is stale', () => {
  assert.ok(new News().stale(0));
});

test('a second without news is the most that counts as fresh', () => {
  const n = new News();
  n.accept(7, 'b', 1000, 50_000);
  assert.ok(!n.stale(1000 + STALE_AFTER_MS));
  assert.ok(n.stale(1001 + STALE_AFTER_MS));
  assert.equal(n.since(), 50_000);
});

test('a loop that stands still behind a live connection is stale', () => {
  const n = new News();
  n.accept(7, 'b', 0, 0);
  assert.equal(n.accept(7, 'b', 900, 900), false);
  assert.equal(n.accept(6, 'b', 1100, 1100), false);
  assert.ok(n.stale(1100));
});

test('a station that has restarted is news although it counts from the beginning', () => {
  const n = new News();
  n.accept(70_000, 'b1', 0, 0);
  assert.ok(n.accept(3, 'b2', 5000, 5000));
  assert.ok(!n.stale(5000));
});

test('the wall clock may jump without making anything stale', () => {
  const n = new News();
  n.accept(1, 'b', 100, 1_000_000);
  n.accept(2, 'b', 200, 400_000);
  assert.ok(!n.stale(300));
});
