import assert from 'node:assert/strict';
import { test } from 'node:test';
import { airWords, alarmWords, clock, dayAndTime, healthOf, noNews, timeOfDay, wantsAcknowledge } from '../src/logic/words.ts';

test('times are minutes and seconds, with hours only when there are some', () => {
  assert.equal(clock(0), '0:00');
  assert.equal(clock(38), '0:38');
  assert.equal(clock(59.6), '1:00');
  assert.equal(clock(3600 + 62), '1:01:02');
  assert.equal(clock(-3), '0:00');
  assert.doesNotMatch(clock(NaN), /\d/);
});

test('no news says since when and for how long', () => {
  const at = new Date(2026, 0, 2, 12, 3, 7).getTime();
  assert.equal(timeOfDay(at), '12:03:07');
  assert.equal(noNews(at, 4900), 'No news since 12:03:07 (4 s)');
});

test('a stamp that is no time says so', () => {
  assert.equal(dayAndTime('yesterday'), 'time unknown');
});

test('a quality nobody told the page about counts as failure', () => {
  assert.equal(healthOf('good'), 'good');
  assert.equal(healthOf('open'), 'failure');
  assert.equal(healthOf('not_read'), 'check function');
  assert.equal(healthOf('moonstruck'), 'failure');
  assert.equal(healthOf('constructor'), 'failure'); // an inherited property is no entry of the table
});

test('unknown codes are shown as words rather than left out', () => {
  assert.equal(airWords('half_open'), 'half open');
  assert.equal(alarmWords('latched_unacknowledged'), 'latched, not acknowledged');
});

test('only what nobody has acknowledged asks for it', () => {
  assert.ok(wantsAcknowledge('unacknowledged'));
  assert.ok(wantsAcknowledge('latched_unacknowledged'));
  assert.ok(wantsAcknowledge('return_to_normal_unacknowledged'));
  assert.ok(!wantsAcknowledge('acknowledged'));
  assert.ok(!wantsAcknowledge('latched_acknowledged'));
});
