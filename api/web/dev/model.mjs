// A make-believe machine for working on the page: canned states, and a run that moves. Its physics is a few straight
// lines; nothing here says anything about real boards. All names are invented.

const SEGMENTS = [
  { name: 'preheat', from_s: 0, to_s: 120, lift: false, cool: false },
  { name: 'soak', from_s: 120, to_s: 210, lift: false, cool: false },
  { name: 'ramp', from_s: 210, to_s: 255, lift: false, cool: false },
  { name: 'peak', from_s: 255, to_s: 300, lift: true, cool: false },
  { name: 'cooling', from_s: 300, to_s: 420, lift: false, cool: true },
];
const POINTS = [[0, 25], [120, 150], [210, 190], [255, 236], [300, 238], [420, 60]];
export const TOTAL_S = 420;

export const PROFILES = [
  { name: 'lf-removal', title: 'Lead-free removal', kind: 'removal', alloy: 'SAC305', total_s: 420, peak_c: 238, default: true },
  { name: 'lf-placement', title: 'Lead-free placement', kind: 'placement', alloy: 'SAC305', total_s: 450, peak_c: 240, default: false },
  { name: 'sn-removal', title: 'Tin-lead removal', kind: 'removal', alloy: 'Sn63Pb37', total_s: 380, peak_c: 212, default: false },
];

/** The plan's target at profile time t. */
export function target(t) {
  for (let i = 1; i < POINTS.length; i++) {
    const [t0, c0] = POINTS[i - 1];
    const [t1, c1] = POINTS[i];
    if (t <= t1) return c0 + ((c1 - c0) * Math.max(0, t - t0)) / (t1 - t0);
  }
  return POINTS.at(-1)[1];
}

export function plan() {
  const time_s = Array.from({ length: TOTAL_S + 1 }, (_, i) => i);
  const t = time_s.map(target);
  const half = (s) => (s < 120 ? 5 + s / 17 : s < 210 ? 12 : s < 255 ? 12 - (s - 210) / 9 : s < 300 ? 7 : 7 + (s - 300) / 8);
  return {
    profile: 'Lead-free removal', time_s, target_c: t, low_c: t.map((c, s) => c - half(s)),
    high_c: t.map((c, s) => Math.min(c + half(s), 245)), segments: SEGMENTS, liquidus_c: 217, solidus_c: 217,
  };
}

/** The coldest joint at profile time t: lags behind, overshoots a little, carries a little noise. */
export function joint(t) {
  const wobble = 1.4 * Math.sin(t / 17) + 0.35 * Math.sin(t * 2.3);
  const lag = t < 210 ? 3 : 1.5;
  return target(Math.max(0, t - lag)) + wobble - (t < 30 ? 1 : 0);
}

const spots = [
  ['joint-corner', 'Corner joint', 'joint', 'chip A', 260, (t) => joint(t)],
  ['joint-centre', 'Centre joint', 'joint', 'chip A', 260, (t) => joint(t) + 4 + 2 * Math.sin(t / 40)],
  ['package-top', 'Package top', 'package_top', 'chip B', 250, (t) => joint(t) + (t < 300 ? 6 : -4)],
  ['board-edge', 'Board edge', 'board', 'chip B', 180, (t) => 25 + (joint(t) - 25) * 0.62],
  ['nozzle', 'Nozzle air', 'nozzle', 'chip C', 450, (t) => (t < 300 ? 60 + target(t) * 1.25 + 12 * Math.sin(t / 9) : Math.max(60, 340 - (t - 300) * 2.4))],
  ['lower-air', 'Lower air', 'nozzle', 'chip C', 420, (t) => (t < 300 ? 50 + target(t) * 1.1 : Math.max(55, 300 - (t - 300) * 2.1))],
];

export function sensors(t, cold) {
  return spots.map(([name, label, role, chip, ceiling_c, f]) => ({
    name, label, role, chip, temp_c: round(cold ? 24.2 + label.length / 20 : f(t)), quality: 'good', reason: '', ceiling_c,
  }));
}

export function heaters(t, hot) {
  const want = hot ? Math.min(1, Math.max(0.05, 0.42 + 0.28 * Math.sin(t / 31))) : 0;
  const row = (name, label, kind, rated_w, ceiling_c, share, temp, air) => ({
    name, label, kind, temp_c: round(temp), quality: 'good', set_c: hot ? Math.round(temp + 9) : null, ceiling_c,
    duty: round(want * share), on: hot && want > 0.1, allowed: hot, power_w: Math.round(want * share * rated_w), rated_w, air,
  });
  const on = (f) => (hot || t > 0 ? f : 24);
  return [
    row('top', 'Upper air head', 'hot_air_top', 1200, 450, 1, on(spots[4][5](t)), hot ? 'proven' : 'off'),
    row('bottom', 'Lower air head', 'hot_air_bottom', 1600, 420, 0.8, on(spots[5][5](t)), hot ? 'proven' : 'off'),
    row('area-left', 'Area heaters, left', 'area', 1200, 380, 0.7, on(40 + target(t)), 'none'),
    row('area-right', 'Area heaters, right', 'area', 1200, 380, 0.72, on(44 + target(t)), 'none'),
  ];
}

export function permissives(doorOpen, jointLost = false) {
  const list = [
    ['emergency_stop', 'Emergency stop released', 'the emergency stop is pressed', 'Turn the button to release it.'],
    ['limiter', 'Over-temperature limiter not tripped', 'the limiter has tripped or its wire is broken', 'Reset it by hand at the limiter.'],
    ['door', 'Guard door closed', 'the guard door is open', 'Close it.'],
    ['extraction', 'Fume extraction runs', 'fume extraction is not running', 'Switch the fume extraction on.'],
    ['sensor', 'Corner joint reads', 'Corner joint does not read', 'Push its plug home.'],
    ['cold', 'Board edge is cool', 'Board edge is still hot', 'Wait until it is below 60 °C.'],
  ].map(([code, title, text, act]) => ({ code, title, holds: !((doorOpen && (code === 'door' || code === 'extraction')) || (jointLost && code === 'sensor')), text, do: act }));
  return list.sort((a, b) => Number(a.holds) - Number(b.holds));
}

/** What the joint is taken for at profile time t: nothing in the first seconds, then wrong by a little that changes slowly. */
export function estimate(t, blind) {
  if (t < 8) return null;
  const c = joint(t) + 1.6 * Math.sin(t / 23) + 0.8;
  if (blind === 'lowered') return { c: round(c - Math.max(0, t - 210) / 4), doubt: round(2 + c * 0.03) };
  return { c: round(c), doubt: round(blind ? 2.1 + c * 0.006 : 1.1 + c * 0.002) };
}

/** A state in which nothing happens; scenes and the moving run start from it. */
export function rest(seq, boot, change = {}) {
  const s = sensors(0, true);
  return {
    seq, boot_id: boot, at_s: seq / 10, time_utc: new Date().toISOString(), simulated: true, speed: 20, machine: 'bench-5kw',
    board: 'Controller board 7', sentence: 'Ready. On the machine: Controller board 7.', sentence_meaning: 'idle/ready',
    state: 'idle', phase: '', ended: null, run: null, joint: jointOf(s), sensors: s, heaters: heaters(0, false), fan: 0,
    permissives: permissives(false), alarms: [], notices: [], trip_id: 0, lift: noLift(), forecast: null, mains: { power_w: 0, budget_w: 5200 },
    heat_enabled: false, late_ms: 0.2, recording: true, allowed_commands: ['start', 'stop'], ...change,
  };
}

export function jointOf(list) {
  const j = list.filter((q) => q.role === 'joint' && q.temp_c !== null).sort((a, b) => a.temp_c - b.temp_c)[0];
  return j ? { sensor: j.name, label: j.label, temp_c: j.temp_c, quality: 'good', estimated: false, doubt_c: null } : null;
}

/** The joint of a run that no joint thermocouple watches. */
export function guessedOf(p, blind = true) {
  const e = estimate(p, blind);
  return { sensor: 'joint_estimate', label: 'Joint, estimated', temp_c: e?.c ?? null, quality: e ? 'good' : 'not_read', estimated: true, doubt_c: e?.doubt ?? null };
}

/** Sensors of a machine whose joint thermocouples lie beside the board: one is unplugged, one reads the room. */
export function withoutJoint(list) {
  return list.map((q, i) => (q.role !== 'joint' ? q : i === 0
    ? { ...q, temp_c: null, quality: 'open', reason: 'the thermocouple is not connected' } : { ...q, temp_c: 31.4 }));
}

export function noLift() {
  return { waiting: false, open: false, molten_for_s: 0, needed_s: 10, left_s: null, confirmed: false, missed: false };
}

export function round(v) {
  return Math.round(v * 10) / 10;
}

const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, '0')}`;

function whereabouts(j) {
  if (!j.estimated) return `Coldest joint ${j.temp_c.toFixed(1)} °C`;
  return j.temp_c === null ? 'The joint is not known yet' : `Joint estimated at ${j.temp_c.toFixed(1)} °C, give or take ${Math.ceil(j.doubt_c)} °C`;
}

/** A running state at profile time p and real time e since the start. */
export function running(seq, boot, id, order, p, e, change = {}) {
  const s = order.no_joint ? withoutJoint(sensors(p, false)) : sensors(p, false);
  const j = order.no_joint && p < 420 ? guessedOf(p, order.bounded_peak ? 'lowered' : true) : jointOf(s);
  const g = SEGMENTS.find((x) => p < x.to_s) ?? SEGMENTS.at(-1);
  const hot = p < 300;
  const h = heaters(p, hot);
  const off = (j.temp_c ?? target(p)) - target(p);
  const compared = Math.abs(off) < 0.5 ? 'on plan' : `${Math.abs(off).toFixed(1)} °C ${off > 0 ? 'above' : 'below'} plan`;
  const name = g.name[0].toUpperCase() + g.name.slice(1);
  return rest(seq, boot, {
    state: 'running', phase: hot ? 'heating' : 'cooling', sensors: s, heaters: h, joint: j, fan: hot ? 0 : 0.8,
    sentence: `${name}, ${clock(g.to_s - p)} left. ${whereabouts(j)}${j.temp_c === null ? '' : `, ${compared}`}.`,
    sentence_meaning: `running/heating/${g.name}`, heat_enabled: hot, permissives: permissives(false),
    mains: { power_w: h.reduce((sum, x) => sum + x.power_w, 0), budget_w: 5200 },
    run: {
      id, kind: order.kind, profile: 'Lead-free removal', board: order.board, part: order.part, serial: order.serial, by: order.by,
      elapsed_s: round(e), profile_s: round(p), total_s: TOTAL_S, segment: g.name, segment_index: SEGMENTS.indexOf(g),
      segment_left_s: round(g.to_s - p), waiting: false, target_c: round(target(p)),
      no_joint: order.no_joint ?? false, bounded_peak: order.bounded_peak ?? false, lessons: order.no_joint ? 3 : 0, verdict: null,
    },
    allowed_commands: ['stop', 'hold'], ...change,
  });
}

/** The trace of a run up to profile time p; it stood still for `waited` seconds at 190 s. */
export function trace(id, p, waited, since, blind = false) {
  const list = sensors(0, true);
  const channels = [...list.map((q) => ({ name: q.name, unit: '°C', kind: 'sensor' })), { name: 'target', unit: '°C', kind: 'target' },
    { name: 'joint_estimate', unit: '°C', kind: 'estimate' }, { name: 'joint_doubt', unit: '°C', kind: 'doubt' }];
  const time_s = [];
  const profile_s = [];
  const columns = channels.map(() => []);
  for (let e = 0; e <= p + waited; e += 0.5) {
    if (since > 0 && e <= since) continue;
    const at = e < 190 ? e : Math.max(190, e - waited);
    if (at > p) break;
    time_s.push(e);
    profile_s.push(at);
    const read = sensors(at, false);
    (blind ? withoutJoint(read) : read).forEach((q, i) => columns[i].push(q.temp_c));
    const guess = estimate(at, blind);
    columns.at(-3).push(round(target(at)));
    columns.at(-2).push(guess?.c ?? null);
    columns.at(-1).push(guess?.doubt ?? null);
  }
  return { run_id: id, channels, time_s, profile_s, columns };
}
