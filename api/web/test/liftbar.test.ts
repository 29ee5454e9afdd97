import assert from 'node:assert/strict';
import { test } from 'node:test';
import { liftBar, OPENS_AT } from '../src/logic/liftbar.ts';

const closed = { waiting: true, open: false, molten_for_s: 0, needed_s: 10, left_s: null, confirmed: false, missed: false };

test('the bar fills to the opening mark while the joint melts', () => {
  assert.equal(liftBar(closed, 0, true).fill, 0);
  assert.equal(liftBar({ ...closed, molten_for_s: 5 }, 0, true).fill, OPENS_AT / 2);
  assert.equal(liftBar({ ...closed, molten_for_s: 99 }, 0, true).fill, OPENS_AT);
});

test('while the window is open the bar fills on and the time left is written', () => {
  const half = liftBar({ ...closed, open: true, molten_for_s: 12, left_s: 15 }, 30, true);
  assert.equal(half.stage, 'open');
  assert.equal(half.text, '0:15 left');
  assert.ok(Math.abs(half.fill - (OPENS_AT + (1 - OPENS_AT) / 2)) < 1e-9);
});

test('what a person confirmed or missed stands above everything else', () => {
  assert.equal(liftBar({ ...closed, open: true, left_s: 3, confirmed: true }, 30, true).text, 'The part is off.');
  assert.equal(liftBar({ ...closed, confirmed: true }, 30, false).text, 'The part sits.');
  assert.equal(liftBar({ ...closed, missed: true }, 30, true).stage, 'missed');
});

test('nothing about lifting shows when nothing is to be lifted', () => {
  assert.equal(liftBar({ ...closed, waiting: false }, 0, true).stage, 'none');
});
