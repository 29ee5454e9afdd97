// Keeps general-purpose PID loops for a caller that counts time itself: one line in, one line out, both JSON.
//
//   {"dt": 0.1, "loops": [{"kp": 1, "ki": 0.1, "kd": 0, "most": 10}, …]}   forgets everything, makes the loops   → []
//   [[loop, target, value], …]                                            a turn for each loop named            → [output, …]
//
// Units are the caller's; dt is in seconds. `most` is the library's own guard against winding up: what the integral part
// of the output may reach to either side. The library keeps the sum of errors, so the bound is divided by ki here.
import { createInterface } from "node:readline";
import Controller from "node-pid-controller";

let loops = [];

function make(order) {
  loops = order.loops.map((l) => new Controller({
    k_p: l.kp,
    k_i: l.ki,
    k_d: l.kd,
    dt: order.dt,
    i_max: l.ki > 0 ? l.most / l.ki : 0,
  }));
  return [];
}

function turn([i, target, value]) {
  loops[i].setTarget(target);
  return loops[i].update(value);
}

// The end of the input ends the program; a line that is no JSON ends it with an error, which the caller sees as silence.
for await (const line of createInterface({ input: process.stdin })) {
  const order = JSON.parse(line);
  process.stdout.write(JSON.stringify(Array.isArray(order) ? order.map(turn) : make(order)) + "\n");
}
