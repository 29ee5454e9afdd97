// Requests to the station. Everything that moves heat goes as JSON with a header that a foreign web page cannot send
// without the station's leave; Stop needs neither, see stop.ts.

import type { Problem } from './wire.ts';

const BASE = '/api/v1';
const PATIENCE_MS = 8000; // the station answers within milliseconds or not at all; from judgement, no source

/** What went wrong, ready to be shown. */
export class Refused extends Error {
  constructor(readonly problem: Problem) {
    super(problem.title);
  }
}

/** GETs a JSON document. Rejects with Refused. */
export async function get<T>(path: string): Promise<T> {
  return ask<T>(path, { headers: { Accept: 'application/json' } });
}

/** POSTs a command. Rejects with Refused, which says what to do where the station knew. */
export async function post(path: string, body: object): Promise<void> {
  await ask(path, {
    method: 'POST',
    headers: { 'Content-Type': 'application/json', 'X-Trivet-Request': '1' },
    body: JSON.stringify(body),
  });
}

// A problem document is handed on as it is; an answer without one still says what happened and to whom to turn.
async function ask<T>(path: string, init: RequestInit): Promise<T> {
  let answer: Response;
  try {
    answer = await fetch(BASE + path, { ...init, cache: 'no-store', signal: AbortSignal.timeout(PATIENCE_MS) });
  } catch {
    throw new Refused({ title: 'The station did not answer.', status: 0, do: 'Look at the machine itself, then try again.' });
  }
  const text = await answer.text();
  let document: unknown = null;
  try {
    document = text === '' ? null : JSON.parse(text);
  } catch {
    if (answer.ok) throw new Refused({ title: 'The station’s answer cannot be read.', status: answer.status, do: 'Reload this page.' });
  }
  if (answer.ok) return document as T;
  const p = (document ?? {}) as Partial<Problem>;
  throw new Refused({ ...p, title: p.title ?? `The station refused (${answer.status}).`, status: answer.status });
}
