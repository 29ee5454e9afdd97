// Canned states: every look of the Now page without a machine. Each scene is a function of the tick and the boot.

import { jointOf, noLift, permissives, rest, running, sensors, TOTAL_S } from './model.mjs';

const order = { kind: 'removal', board: 'Controller board 7', part: 'BGA 27 × 27', serial: 'A-0113', by: 'Mira' };
const WAITED = 14; // s the canned runs have waited at the end of the soak

const alarm = (change) => ({
  code: 'door', subject: 0, title: 'Guard door opened during heat', do: 'Close it, check the board, then reset.',
  state: 'latched_unacknowledged', at_s: 402, value_c: null, limit_c: null, trip_id: 3, first_out: false, cause_present: true, because: '', flutters: false, ...change,
});

/** Name of each scene: { at: profile time of its trace, or null; state }. */
export const scenes = {
  idle: { at: null, state: rest },
  'not-ready': {
    at: null,
    state: (seq, boot) => {
      const s = sensors(0, true);
      s[0] = { ...s[0], temp_c: null, quality: 'open', reason: 'the thermocouple is not connected' };
      return rest(seq, boot, {
        sentence: 'No heat: the guard door is open. Close it.', sentence_meaning: 'idle/door', permissives: permissives(true, true),
        sensors: s, joint: jointOf(s), allowed_commands: ['stop'],
      });
    },
  },
  unplugged: {
    at: null,
    state: (seq, boot) => {
      const s = sensors(0, true).map((q) => (q.role === 'joint' ? { ...q, temp_c: null, quality: 'open', reason: 'the thermocouple is not connected' } : q));
      return rest(seq, boot, {
        sentence: 'No joint reads: push its plug home, or repeat a board that was learned here without one.', sentence_meaning: 'idle/no_joint',
        permissives: permissives(false, true), sensors: s, joint: { sensor: 'joint-corner', label: 'Corner joint', temp_c: null, quality: 'open', estimated: false, doubt_c: null },
      });
    },
  },
  heating: { at: 172, state: (seq, boot) => running(seq, boot, 5, order, 172, 172) },
  held: {
    at: 230,
    state: (seq, boot) => running(seq, boot, 5, order, 230, 230 + WAITED, {
      state: 'held', sentence: 'Held. Coldest joint 210.2 °C. Continue or stop within 3 minutes of the hold.', sentence_meaning: 'held/',
      allowed_commands: ['stop', 'restart'],
    }),
  },
  melting: {
    at: 266,
    state: (seq, boot) => running(seq, boot, 5, order, 266, 266 + WAITED, {
      phase: 'lift_window', lift: { ...noLift(), waiting: true, molten_for_s: 6.2 },
      sentence: 'Peak: joint molten for 6 s of 10 s. Coldest joint 234.9 °C.', sentence_meaning: 'running/lift_window/molten',
    }),
  },
  lift: {
    at: 282,
    state: (seq, boot) => running(seq, boot, 5, order, 282, 282 + WAITED, {
      phase: 'lift_window', lift: { ...noLift(), waiting: true, open: true, molten_for_s: 22, left_s: seq < 5 ? 36 : 23 },
      sentence: 'Lift the part now: 0:23 left. Coldest joint 236.4 °C.', sentence_meaning: 'running/lift_window/open',
      allowed_commands: ['stop', 'hold', 'confirm_lift'],
    }),
  },
  complete: {
    at: TOTAL_S,
    state: (seq, boot) => over(seq, boot, {
      state: 'complete', phase: 'safe_to_touch', sentence: 'Complete. Everything measured is below 45 °C.', sentence_meaning: 'complete/complete',
      ended: { state: 'complete', code: 'complete', reason: 'The profile ended and the board is cool.', by: '' }, allowed_commands: ['stop', 'start', 'reset'],
    }, 'pass'),
  },
  tripped: {
    at: 240,
    state: (seq, boot) => over(seq, boot, {
      state: 'aborted', phase: 'run_on', trip_id: 3, sentence: 'Cut off: guard door opened during heat. Hot: up to 341 °C, do not touch.',
      sentence_meaning: 'aborted/trip:door', permissives: permissives(true), allowed_commands: ['stop', 'acknowledge'],
      ended: { state: 'aborted', code: 'trip:door', reason: 'Guard door opened during heat.', by: '' },
      alarms: [alarm({ code: 'extraction', subject: 1, title: 'Fume extraction did not come back', do: 'Switch the fume extraction on and check its flow switch, then reset.', state: 'latched_acknowledged', trip_id: 4 }),
        alarm({ first_out: true })],
    }, null, 240),
  },
};
// Repeats of a board that nothing at the joint watches: one that goes well, one at a lowered peak that waits for the melt, one whose
// first estimate is to come, and one that was ended because the board is another than it should be.
const blind = { ...order, serial: 'A-0117', no_joint: true };
scenes.estimated = { at: 172, blind: true, state: (seq, boot) => running(seq, boot, 5, blind, 172, 172) };
scenes.unknown = { at: 5, blind: true, state: (seq, boot) => running(seq, boot, 5, blind, 5, 5) };
scenes.lowered = {
  at: 266, blind: 'lowered',
  state: (seq, boot) => {
    const s = running(seq, boot, 5, { ...blind, bounded_peak: true }, 266, 266 + WAITED, {
      phase: 'lift_window', lift: { ...noLift(), waiting: true }, sentence_meaning: 'running/lift_window/peak',
    });
    return { ...s, sentence: s.sentence.replace(/^.*? left\./, 'Peak: waiting for the joint to melt.').replace(/ °C, [^,]*plan/, ' °C') };
  },
};
const NOT_KIN = 'This board does not behave like the ones it is to repeat: it is 3.4 times as far from them as they usually are from each other. '
  + 'Check that it is the right board and how it lies, or run it with a thermocouple at the joint.';
scenes['not-kin'] = {
  at: 96, blind: true,
  state: (seq, boot) => {
    const s = running(seq, boot, 5, blind, 96, 96);
    return over(seq, boot, {
      state: 'stopped', phase: 'run_on', sentence: `Stopped. ${NOT_KIN} Hot: up to 214 °C, do not touch.`, sentence_meaning: 'stopped/run_on/not_kin',
      ended: { state: 'stopped', code: 'not_kin', reason: NOT_KIN, by: '' }, sensors: s.sensors, joint: jointOf(s.sensors), allowed_commands: ['stop'],
    }, null, 96, blind);
  },
};
// The same machine through the eyes of people who do not hold the controls, and of one who is asked for them.
scenes.stranger = { at: null, state: rest, people: { you: null, holder: null } };
scenes.free = { at: null, state: rest, people: { holder: null } };
scenes.elsewhere = { at: 172, state: scenes.heating.state, people: { holder: 'p2' } };
scenes.asked = { at: 172, state: scenes.heating.state, people: { asking: 'p2' } };
scenes.stale = { at: 172, silent: true, state: scenes.heating.state };

function over(seq, boot, change, verdict, p = TOTAL_S, whose = order) {
  const s = running(seq, boot, 5, whose, p, p + (p > 190 ? WAITED : 0));
  const cool = p === TOTAL_S ? sensors(0, true).map((q) => ({ ...q, temp_c: 38 + q.label.length / 10 })) : s.sensors;
  return {
    ...s, heat_enabled: false, sensors: cool, joint: jointOf(cool), mains: { power_w: 0, budget_w: 5200 },
    heaters: s.heaters.map((h) => ({ ...h, on: false, power_w: 0, duty: 0, set_c: null, allowed: false, air: h.air === 'none' ? 'none' : p === TOTAL_S ? 'off' : 'proven', temp_c: p === TOTAL_S ? 41 : h.temp_c })),
    ...change, run: { ...s.run, verdict },
  };
}

export const waitedAt = (p) => (p > 190 ? WAITED : 0);

export const runs = [
  { id: 6, begun_utc: '2026-03-04T10:02:00Z', kind: 'removal', profile: 'Lead-free removal', board: 'Controller board 8', part: 'BGA 27 × 27', by: 'Mira', state: 'stopped', code: 'not_kin', reason: NOT_KIN, elapsed_s: 96, samples: 960, verdict: null },
  { id: 5, begun_utc: '2026-03-04T09:12:00Z', kind: 'removal', profile: 'Lead-free removal', board: 'Controller board 7', part: 'BGA 27 × 27', by: 'Mira', state: 'complete', code: 'complete', reason: '', elapsed_s: 434, samples: 4340, verdict: 'pass' },
  { id: 4, begun_utc: '2026-03-04T08:31:00Z', kind: 'removal', profile: 'Lead-free removal', board: 'Controller board 6', part: 'BGA 27 × 27', by: 'Mira', state: 'aborted', code: 'trip:door', reason: 'Guard door opened during heat.', elapsed_s: 254, samples: 2540, verdict: null },
  { id: 3, begun_utc: '2026-03-03T15:02:00Z', kind: 'placement', profile: 'Lead-free placement', board: 'Test board', part: 'BGA 19 × 19', by: 'Jonas', state: 'complete', code: 'complete', reason: '', elapsed_s: 461, samples: 4610, verdict: 'fail' },
  { id: 2, begun_utc: '2026-03-03T13:20:00Z', kind: 'removal', profile: 'Lead-free removal', board: 'Controller board 5', part: 'BGA 27 × 27', by: 'Mira', state: 'complete', code: 'complete', reason: '', elapsed_s: 431, samples: 4310, verdict: 'pass' },
];

const check = (name, value, bound, limit, unit, ok, source, advisory = false) => ({ name, measure: '', value, bound, limit, unit, ok, advisory, source, confidence: '' });

/** The same by an estimate. */
export const guessedVerdict = () => ({
  ...verdict, columns: [{ name: 'package-top', role: 'body' }, { name: 'joint_estimate', role: 'joint' }],
  checks: verdict.checks.map((c) => ({ ...c, column: c.name.includes('joint') || c.unit !== '°C' ? 'joint_estimate' : 'package-top' })),
});

export const verdict = {
  verdict: 'pass', summary: 'Inside every limit.', notes: [],
  checks: [
    check('coldest joint, peak', 236.4, 'min', 230, '°C', true, 'common practice, no source'),
    check('hottest joint, peak', 241.2, 'max', 245, '°C', true, 'common practice, no source'),
    check('time above liquidus, most', 52, 'max', 150, 's', true, 'J-STD-020, read in a secondary copy'),
    check('ramp up', 1.42, 'max', 3, '°C/s', true, 'J-STD-020, read in a secondary copy'),
    check('ramp down, gentle', 3.4, 'max', 3, '°C/s', false, 'common practice, no source', true),
  ],
};
