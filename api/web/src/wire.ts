// What the station sends under /api/v1, as types. Units are in the names: °C, W, seconds; a missing reading is null
// and its quality says why. Nothing here has behaviour.

export type RunState = 'idle' | 'running' | 'holding' | 'held' | 'restarting' | 'stopping' | 'stopped' | 'aborting' | 'aborted' | 'complete';
export type Phase = '' | 'proving_layers' | 'proving_air' | 'proving_sensors' | 'commissioning' | 'heating' | 'waiting' | 'lift_window' | 'cooling' | 'run_on' | 'safe_to_touch';
export type Kind = 'removal' | 'placement' | 'reball' | 'dressing' | 'preheat';
export type Command = 'start' | 'hold' | 'restart' | 'stop' | 'reset' | 'acknowledge' | 'confirm_lift';

export interface Run {
  id: number; kind: Kind; profile: string; board: string; part: string; serial: string; by: string;
  elapsed_s: number; // real time since the start
  profile_s: number; // profile time: stands still while the run waits or is held
  total_s: number; // of the profile
  segment: string; segment_index: number; segment_left_s: number; waiting: boolean;
  target_c: number; verdict: 'pass' | 'fail' | null;
  no_joint: boolean; // a repeat that no joint thermocouple watches
  bounded_peak: boolean; // with a lowered peak, because the joint is not known well
  lessons: number; // earlier boards of the type that it builds on
}

export interface Joint {
  sensor: string; label: string; temp_c: number | null; quality: string;
  estimated: boolean; // nothing measures it: temp_c is what the law takes it for
  doubt_c: number | null; // the true joint is within ± this 95 % of the time; null where it is measured
}

export interface Sensor {
  name: string; label: string;
  role: string; // joint, package_top, board, nozzle, area, neighbour
  chip: string; temp_c: number | null; quality: string; reason: string; ceiling_c: number | null;
}

export interface Heater {
  name: string; label: string; kind: string; temp_c: number | null; quality: string; set_c: number | null;
  ceiling_c: number | null; duty: number; on: boolean; allowed: boolean; power_w: number; rated_w: number;
  air: 'none' | 'off' | 'starting' | 'proven' | 'lost';
}

export interface Permissive { code: string; title: string; holds: boolean; text: string; do: string }

export interface Alarm {
  code: string; subject: number; title: string; do: string; state: string; at_s: number;
  value_c: number | null; limit_c: number | null; trip_id: number; first_out: boolean; cause_present: boolean;
  because: string; flutters: boolean; // title of the alarm it follows from, empty for none; it comes and goes
}

export interface Lift {
  waiting: boolean; open: boolean; molten_for_s: number; needed_s: number; left_s: number | null;
  confirmed: boolean; missed: boolean;
}

export interface Span { low: number; mid: number; high: number }

export interface Forecast {
  begin_s: number; // when it was made, since the start of the run; changes when there is a new one
  peak_c: Span; time_above_liquidus_s: Span; package_top_c: Span; // with 95 % bands
  go: boolean; held: boolean; code: string; text: string; remedy: string;
}

export interface ForecastCurve { time_s: number[]; low_c: number[]; mid_c: number[]; high_c: number[] }

export interface Ended { state: RunState; code: string; reason: string; by: string }

/** Somebody who is paired, as everybody may know. */
export interface Person { id: string; name: string; role: Role }

export type Role = 'viewer' | 'operator' | 'supervisor';

/** Who may give the commands that move heat, and who wants to. */
export interface Controls { holder: Person | null; asking: Person | null }

/** A pairing as a supervisor sees it. */
export interface Paired extends Person { paired_utc: string; source: string }

/** What this browser is to the station. */
export interface Pairing {
  you: Paired | null;
  code: string | null; // only on the station's own computer
  here: boolean; may_look: boolean;
  private: boolean; // nobody on the way can read along
  wait_s: number; // until the next try of a code counts
}

// What should be done soon and forbids nothing.
export interface Notice { code: string; text: string; do: string }

export interface State {
  version: string; stamp_ms: number; // what a command has to name, so that it is meant for what was seen
  seq: number; boot_id: string; at_s: number; time_utc: string; simulated: boolean; speed: number;
  machine: string; board: string; sentence: string; sentence_meaning: string; state: RunState; phase: Phase;
  ended: Ended | null; run: Run | null; joint: Joint | null; sensors: Sensor[]; heaters: Heater[]; fan: number;
  permissives: Permissive[]; alarms: Alarm[]; notices: Notice[]; trip_id: number; lift: Lift; forecast: Forecast | null;
  mains: { power_w: number; budget_w: number }; heat_enabled: boolean; late_ms: number; recording: boolean;
  controls: Controls; allowed_commands: Command[];
}

export interface StationEvent { at_s: number; code: string; text: string; by: string }

export type Message =
  | { type: 'hello'; seq: number; boot_id: string; version: string; resume: boolean }
  | { type: 'state'; seq: number; state: State }
  | { type: 'event'; seq: number; event: StationEvent }
  | { type: 'gap'; seq: number; from: number; to: number; events_lost: boolean }; // false: only states, which are latest-wins

export interface Segment { name: string; from_s: number; to_s: number; lift: boolean; cool: boolean }

export interface Plan {
  profile: string; time_s: number[]; target_c: (number | null)[]; low_c: (number | null)[]; high_c: (number | null)[];
  segments: Segment[]; liquidus_c: number; solidus_c: number;
}

export interface Trace {
  run_id: number; channels: { name: string; unit: string; kind: string }[];
  time_s: number[]; profile_s: number[]; columns: (number | null)[][]; thinned?: boolean;
}

export interface ProfileInfo { name: string; title: string; kind: Kind; alloy: string; total_s: number; peak_c: number; default: boolean }

/** What was learned of the board type on the machine. */
export interface Lessons { lessons: number }

/** What a run is asked for with; false may be left out. */
export interface StartOrder {
  profile: string; kind: string; board: string; part: string; serial: string; proof: boolean;
  no_joint?: boolean; bounded_peak?: boolean;
}

export interface RunLine {
  id: number; begun_utc: string; kind: Kind; profile: string; board: string; part: string; by: string;
  state: string; code: string; reason: string; elapsed_s: number; samples: number; verdict: string | null;
  no_joint?: boolean; // left out by stations that do not tell it in the list
}

export interface Check {
  name: string; value: number | null; // null when it could not be measured
  bound: 'min' | 'max'; limit: number; unit: string; ok: boolean;
  advisory: boolean; // shown, never fails the verdict
  source: string; column?: string; note?: string;
}

export interface RunDetail extends RunLine {
  serial: string; ended_by: string; damaged_chunks: number;
  judgement: {
    verdict: string; summary: string; checks: Check[]; notes: string[] | null;
    columns?: { name: string; role: string }[]; // of the record, that were judged
  } | null;
  events: StationEvent[];
}

// Problem is an RFC 9457 document with the station's own code and what to do.
export interface Problem { type?: string; title: string; status: number; detail?: string; code?: string; do?: string }
