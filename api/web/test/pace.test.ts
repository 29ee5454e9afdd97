import assert from 'node:assert/strict';
import { test } from 'node:test';
import { Pacer } from '../src/logic/pace.ts';

test('a quick machine draws ten times a second and not more', () => {
  const p = new Pacer();
  assert.ok(p.due(0));
  p.drew(0, 3);
  assert.ok(!p.due(99));
  assert.ok(p.due(100));
});

test('a slow machine draws less often, down to once a second', () => {
  const p = new Pacer();
  for (let i = 0; i < 40; i++) p.drew(i * 1000, 60);
  assert.ok(Math.abs(p.interval() - 300) < 5, `${p.interval()}`);
  for (let i = 0; i < 40; i++) p.drew(i * 1000, 900);
  assert.equal(p.interval(), 1000);
});

test('one slow frame is forgiven', () => {
  const p = new Pacer();
  for (let i = 0; i < 10; i++) p.drew(i, 4);
  p.drew(11, 200);
  for (let i = 0; i < 12; i++) p.drew(12 + i, 4);
  assert.ok(p.interval() < 120);
});
