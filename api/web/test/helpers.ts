// Small makers for tests: a state with everything in it, changed where a test needs it.

import type { State } from '../src/wire.ts';

export function aState(change: Partial<State> = {}): State {
  return {
    version: 'b-1', stamp_ms: 0, controls: { holder: null, asking: null }, seq: 1, boot_id: 'b1', at_s: 1, time_utc: '2026-01-02T03:04:05Z', simulated: true, speed: 1, machine: 'bench', board: '',
    sentence: 'Ready.', sentence_meaning: 'idle/ready', state: 'idle', phase: '', ended: null, run: null, joint: null,
    sensors: [], heaters: [], fan: 0, permissives: [], alarms: [], notices: [], trip_id: 0, forecast: null,
    lift: { waiting: false, open: false, molten_for_s: 0, needed_s: 10, left_s: null, confirmed: false, missed: false },
    mains: { power_w: 0, budget_w: 5000 }, heat_enabled: false, late_ms: 0, recording: true, allowed_commands: [], ...change,
  };
}

export function aRunState(id: number, elapsed: number, temp: number | null, profile = elapsed): State {
  return aState({
    state: 'running',
    run: { id, kind: 'removal', profile: 'p', board: '', part: '', serial: '', by: '', elapsed_s: elapsed, profile_s: profile,
      total_s: 400, segment: 'soak', segment_index: 1, segment_left_s: 1, waiting: false, target_c: 100, no_joint: false, bounded_peak: false, lessons: 0, verdict: null },
    sensors: [{ name: 'j1', label: 'J1', role: 'joint', chip: '', temp_c: temp, quality: temp === null ? 'open' : 'good', reason: '', ceiling_c: null }],
  });
}
