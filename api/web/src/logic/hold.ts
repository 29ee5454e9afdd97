// Press and hold: the deliberate gesture that starts heat. Letting go early does nothing at all, so that a sleeve,
// a falling tool or a double tap cannot start a machine that reaches 400 °C.

/** How long a press has to last, in ms. Long enough to be meant, short enough for a gloved thumb; our own judgement. */
export const HOLD_MS = 1500;

export class PressHold {
  private began: number | null = null;
  private fired = false;

  constructor(private readonly needMs: number = HOLD_MS) {}

  /** The press begins at t (ms, monotonic). Key repeats and second fingers while pressed change nothing. */
  press(t: number): void {
    if (this.began !== null) return;
    this.began = t;
    this.fired = false;
  }

  /** The press ends, slides off, or loses the focus. Returns whether that cancelled an unfinished press. */
  release(): boolean {
    const cancelled = this.began !== null && !this.fired;
    this.began = null;
    this.fired = false;
    return cancelled;
  }

  /** How much of the press has passed at t, 0…1. */
  fraction(t: number): number {
    if (this.began === null) return 0;
    return Math.min(1, Math.max(0, (t - this.began) / this.needMs));
  }

  /** True exactly once per press, when it has lasted long enough. */
  due(t: number): boolean {
    if (this.began === null || this.fired || t - this.began < this.needMs) return false;
    this.fired = true;
    return true;
  }

  get pressed(): boolean {
    return this.began !== null;
  }
}
