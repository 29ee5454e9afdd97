// One run on a station on this computer, as a program would give it: pair, take the controls, start, look, stop, wait for the end.
//   node packages-run.mjs http://127.0.0.1:PORT [SECONDS]
const base = process.argv[2] + "/api/v1", seconds = Number(process.argv[3] ?? 4);
let token;

async function ask(method, path, body, headers = {}) {
  if (token) headers.Authorization = "Bearer " + token;
  if (body) headers["Content-Type"] = "application/json";
  headers["X-Trivet-Request"] = "1";
  const r = await fetch(base + path, { method, headers, body: body && JSON.stringify(body) });
  const text = await r.text();
  if (!r.ok) throw new Error(`${method} ${path}: ${r.status} ${text}`);
  return text && JSON.parse(text);
}
const sleep = (s) => new Promise((r) => setTimeout(r, 1000 * s));

const { code } = await ask("GET", "/pairing");
token = (await ask("POST", "/pairing", { code, name: "package test", role: "operator", for: "program" })).token;
await ask("POST", "/controls/take", {});
const s = await ask("GET", "/state");
await ask("POST", "/runs", { profile: "removal-heavy-lead-free", serial: "package-test" }, { "Idempotency-Key": "package-test-1", "If-Match": `"${s.version}"`, "X-Trivet-Seen": String(s.stamp_ms) });
await sleep(seconds);
console.log("   in the run: " + (await ask("GET", "/state")).sentence);
await ask("POST", "/stop");
for (let i = 0; i < 100; i++) {
  const { state, sentence } = await ask("GET", "/state");
  if (state === "stopped" || state === "idle") {
    console.log("   after it: " + sentence);
    process.exit(0);
  }
  await sleep(0.3);
}
throw new Error("the run did not end");
