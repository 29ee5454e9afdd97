// What this viewer prefers, kept in this browser only. The station never sees it, except the name that goes with commands.

import type { Scale } from './logic/units.ts';
import type { Sensor } from './wire.ts';

export type Look = 'auto' | 'light' | 'dark';

export interface Settings {
  scale: Scale;
  look: Look;
  name: string; // who gives commands here
  shown: string[]; // sensors drawn on the chart besides the joint
}

const KEY = 'trivet.settings';
const MOST_NAME = 60;

/** Reads the settings; whatever is missing, malformed or forbidden (private browsing) falls back to its default. */
export function load(): Settings {
  let raw: Partial<Record<keyof Settings, unknown>> = {};
  try {
    const stored: unknown = JSON.parse(localStorage.getItem(KEY) ?? '{}');
    if (typeof stored === 'object' && stored !== null) raw = stored;
  } catch {
    // defaults
  }
  return {
    scale: raw.scale === 'F' ? 'F' : 'C',
    look: raw.look === 'light' || raw.look === 'dark' ? raw.look : 'auto',
    name: typeof raw.name === 'string' ? raw.name.slice(0, MOST_NAME) : '',
    shown: Array.isArray(raw.shown) ? raw.shown.filter((n): n is string => typeof n === 'string') : ['role:package_top'],
  };
}

/** Keeps the settings; a browser that refuses to store loses them at the next reload and nothing else. */
export function save(s: Settings): void {
  try {
    localStorage.setItem(KEY, JSON.stringify(s));
  } catch {
    // see above
  }
}

/** Puts the chosen look on the document; styles read it from there. */
export function applyLook(look: Look): void {
  const root = document.documentElement;
  if (look === 'auto') delete root.dataset.look;
  else root.dataset.look = look;
}

/** Whether a sensor is drawn. By role until somebody has chosen by name: names differ between machines, roles do not. */
export function isShown(s: Settings, q: Sensor): boolean {
  return s.shown.includes(q.name) || (s.shown.includes(`role:${q.role}`) && !s.shown.includes(`-${q.name}`));
}

/** The list of what is shown after a sensor was switched on or off. */
export function toggled(s: Settings, q: Sensor): string[] {
  const rest = s.shown.filter((n) => n !== q.name && n !== `-${q.name}`);
  return [...rest, isShown(s, q) ? `-${q.name}` : q.name];
}
