import assert from 'node:assert/strict';
import { test } from 'node:test';
import { HOLD_MS, PressHold } from '../src/logic/hold.ts';

test('a full press fires once and only once', () => {
  const h = new PressHold();
  h.press(100);
  assert.equal(h.due(100 + HOLD_MS - 1), false);
  assert.equal(h.due(100 + HOLD_MS), true);
  assert.equal(h.due(100 + HOLD_MS + 1), false);
  assert.equal(h.release(), false); // nothing was cancelled
});

test('letting go early cancels and the next press starts from nothing', () => {
  const h = new PressHold();
  h.press(0);
  assert.equal(h.release(), true);
  h.press(1400);
  assert.equal(h.due(1600), false);
  assert.equal(h.fraction(1400), 0);
});

test('key repeats while pressed do not lengthen or shorten the press', () => {
  const h = new PressHold();
  h.press(0);
  for (let t = 30; t < 1500; t += 30) h.press(t);
  assert.ok(h.due(1500));
});

test('the fill goes from nothing to full with the press', () => {
  const h = new PressHold(1000);
  assert.equal(h.fraction(5), 0);
  h.press(0);
  assert.equal(h.fraction(250), 0.25);
  assert.equal(h.fraction(9000), 1);
});

test('never pressed is never due', () => {
  assert.equal(new PressHold().due(1e9), false);
  assert.equal(new PressHold().release(), false);
});
