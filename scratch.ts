import { Endpoint } from "@fardel/core";
import { lossyPair, presets, VirtualClock, Random } from "@fardel/lossy-link";
const args = process.argv.slice(2).map(Number);
async function run(bytes: number, window: number, loss: number, seed: number) {
  const clock = new VirtualClock();
  const { a, b, medium } = lossyPair({ ...presets.reference(), clock, seed, loss });
  let s = seed * 7919 + 1;
  const random = () => { s = (Math.imul(s, 1664525) + 1013904223) >>> 0; return (s ^ (s >>> 15)) >>> 0; };
  if (process.env.TRACE) { const { describeDatagram } = await import("./packages/core/src/wire/describe.ts"); medium.observe((o: any) => console.log(String(clock.nowUs()).padStart(9), o.from[5] === 10 ? "->" : "<-", o.fate === "delivered" ? "  " : o.fate, String(o.datagram.length).padStart(3), describeDatagram(o.datagram).slice(0, 150))); }
  const gw = await Endpoint.open({ link: a, clock, random, window });
  const bd = await Endpoint.open({ link: b, clock, random, window });
  let at = -1;
  bd.onMessage((m) => { at = clock.nowUs(); });
  let receipt: any, err: any;
  const data = new Uint8Array(bytes).map((_, i) => i * 31 ^ (i >> 8));
  gw.peer(b.localAddress!).send(data, { priority: "bulk" }).then((r) => (receipt = r), (e) => (err = e));
  const why = await clock.run({ until: () => receipt || err, untilUs: 100e6 });
  return { at, receipt, err, why, t: clock.nowUs(), stats: medium.statistics, rep: gw.reports()[0], rb: bd.reports()[0], clock, gw, bd };
}
const A = 552 + 8 * (43 + 250);
const bars: any = { "131072,64": [.95, .945, .94, .93, .92], "16384,64": [.93, .92, .91, .88, .84], "131072,8": [.90, .88, .86, .81, .75] };
if (args.length >= 4) {
  const r = await run(args[0]!, args[1]!, args[2]!, args[3]!);
  console.log(r.at, r.why, r.receipt, r.err?.message, r.t); console.log(r.rep, r.rb);
} else for (const [k, bar] of Object.entries(bars) as any) {
  const [bytes, window] = k.split(",").map(Number);
  let row = "";
  for (const loss of [0, .05, .1, .2, .3]) {
    let sum = 0, worst = 9; const n = 20;
    for (let seed = 1; seed <= n; seed++) {
      const r = await run(bytes, window, loss, seed);
      if (r.at < 0 || r.err || r.why !== "until") { console.log("FAIL", k, loss, seed, r.at, r.err?.message, r.why); continue; }
      const e = bytes / (r.at / 1e6) / (250 / (A / 1e6) * (1 - loss));
      sum += e; worst = Math.min(worst, e);
    }
    row += ` ${(sum / n).toFixed(4)}/${worst.toFixed(3)}`;
  }
  console.log(k, "bar", bar.join(" "), " got", row);
}
