import assert from 'node:assert/strict';
import { test } from 'node:test';
import { diff, digits, giveOrTake, inScale, roughly, roughlySaid, temp, toScale } from '../src/logic/units.ts';

test('fixed points of the Fahrenheit scale come out exactly', () => {
  // Defining points: ice 32 °F, steam 212 °F, and −40 where both scales meet.
  assert.equal(toScale(0, 'F'), 32);
  assert.equal(toScale(100, 'F'), 212);
  assert.equal(toScale(-40, 'F'), -40);
  assert.equal(toScale(217, 'C'), 217);
});

test('a missing reading is words or dashes, never a number', () => {
  for (const none of [null, undefined, NaN, Infinity]) {
    assert.equal(temp(none, 'C'), 'no reading');
    assert.doesNotMatch(digits(none, 'F'), /\d/);
  }
});

test('a negative temperature has a real minus sign and zero has none', () => {
  assert.equal(temp(-5.25, 'C', 2), '−5.25\u00a0°C');
  assert.equal(digits(-0.01, 'C'), '0.0');
});

test('a difference is scaled without the offset', () => {
  assert.equal(diff(-10, 'F'), '18.0\u00a0°F');
});

// Numbers are tied to their units by a no-break space; here it is written as a plain one.
const spaced = (s: string) => s.replaceAll('\u00a0', ' ');

test('a sentence in °C keeps its words and numbers, and ties each number to its unit', () => {
  const s = 'Soak, 0:38 left. Coldest joint 187.4 °C, 1.2 °C below plan.';
  assert.equal(spaced(inScale(s, 'C')), s);
  assert.ok(inScale(s, 'C').includes('187.4\u00a0°C'));
});

test('a sentence in °F converts temperatures with the offset and differences without', () => {
  assert.equal(spaced(inScale('Soak, 0:38 left. Coldest joint 187.4 °C, 1.2 °C below plan.', 'F')),
    'Soak, 0:38 left. Coldest joint 369.3 °F, 2.2 °F below plan.');
  assert.equal(spaced(inScale('Everything measured is below 45 °C.', 'F')), 'Everything measured is below 113 °F.');
  assert.equal(spaced(inScale('Hot: up to 240 °C, do not touch.', 'F')), 'Hot: up to 464 °F, do not touch.');
});

test('a rate is a difference per second', () => {
  assert.equal(spaced(inScale('rises 2.0 °C/s', 'F')), 'rises 3.6 °F/s');
});

test('an estimate has no tenths and its doubt is never made smaller', () => {
  assert.equal(roughly(187.4, 'C'), '≈\u00a0187\u00a0°C');
  assert.equal(roughly(null, 'C'), 'no estimate');
  assert.equal(roughly(NaN, 'C'), 'no estimate');
  assert.equal(giveOrTake(2.1, 'C'), '±\u00a03\u00a0°C');
  assert.equal(giveOrTake(2.1, 'F'), '±\u00a06\u00a0°F'); // 5.4, rounded up
  assert.equal(roughlySaid(187.4, 2.1, 'C'), 'about 187\u00a0°C, give or take 3\u00a0°C');
});

test('a band in a sentence has no offset and is not made smaller', () => {
  assert.equal(inScale('Joint estimated at 100.0 °C, give or take 3 °C, 1.0 °C above plan.', 'F'), 'Joint estimated at 212.0\u00a0°F, give or take 6\u00a0°F, 1.8\u00a0°F above plan.');
});
