import { mkdtemp, readFile, rm, stat, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { PeerBook } from "@fardel/pairing";
import { PeerFile } from "@fardel/pairing/node";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { inventedClaimCode } from "../link-address/invented-label.js";
import { runToEnd, TestContext, Typist } from "../test-context.js";

let folder: string;
let store: string;
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-cli-pair-"));
  store = join(folder, "peers.json");
});
afterEach(() => rm(folder, { recursive: true, force: true }));

const ROW_1 = "02:00:00:00:00:02";
const CODE = inventedClaimCode(Uint8Array.of(2, 0, 0, 0, 0, 2));
/** Held close; the next one far away. */
const CLOSE = "lossy:boards=3,distance=1,spacing=60";

async function fardel(args: readonly string[], typed: readonly string[] = []) {
  const input = typed.map((line) => new TextEncoder().encode(`${line}\n`));
  const context = new TestContext({ peersFile: store, input });
  const exitCode = await runToEnd(args, context);
  return { context, exitCode, err: context.err, out: context.out };
}

const pair = (args: readonly string[], link: string, typed: readonly string[] = []) =>
  fardel(["pair", "--link", link, ...args], typed);

const kept = () => new PeerBook(new PeerFile(store)).list();

async function send(link: string, to: string) {
  const file = join(folder, "fans.bin");
  await writeFile(file, "on");
  const args = ["send", file, "--to", to, "--link", link, "--deadline", "2s", "--json"];
  const { context, exitCode } = await fardel(args);
  return { exitCode, ...context.objects.at(-1) };
}

describe("fardel pair", () => {
  it("finds the board that is held close, asks for its claim code, and says what is next", async () => {
    const { err, out, exitCode } = await pair([], CLOSE, [CODE]);
    expect([err, exitCode]).toEqual([expect.any(String), 0]);
    const order = [
      "Looking for boards in pairing mode: simulated channel",
      "Press the button of the board",
      `  row-1  row-station  ${ROW_1}`,
      `Pairing with row-1 (${ROW_1}). Its claim code is printed on the board.`,
      `The simulated board's label says ${CODE} (invented).`,
      "Claim code:",
      "Asking the board.",
      "It has answered.",
      "Both have the same key; it is stored here.",
      "The board uses it.",
    ].map((text) => err.indexOf(text));
    expect(order).not.toContain(-1);
    expect(order).toEqual([...order].sort((one, other) => one - other));
    expect(out.split("\n")).toEqual([
      "paired: row-1",
      `  address     ${ROW_1}`,
      "  kind        row-station",
      "  protection  encrypted and authenticated, with the key of this pair",
      `  kept in     ${store}`,
      `  next        fardel send FILE --to row-1 --link ${CLOSE}`,
      "",
    ]);
    expect(await kept()).toMatchObject([
      {
        name: "row-1",
        kind: "row-station",
        keys: [{ side: "initiator" }],
        firstSeenMs: Date.UTC(2026, 3, 18, 3, 20),
      },
    ]);
    expect((await stat(store)).mode & 0o777).toBe(0o600);
  });

  it("from then on speaks to it in protected sessions only, by its name", async () => {
    await pair(["row-2", "--code", inventedClaimCode(Uint8Array.of(2, 0, 0, 0, 0, 3))], CLOSE);
    expect(await send("lossy:boards=3", "row-2")).toMatchObject({
      exitCode: 0,
      to: "02:00:00:00:00:03",
      isProtected: true,
    });
    expect(await send("lossy:boards=3", ROW_1)).toMatchObject({ exitCode: 0, isProtected: false });
  });

  it("works over a bad channel", async () => {
    for (const seed of [1, 2, 3]) {
      const link = `lossy:loss=0.3,seed=${seed},boards=2`;
      const { exitCode, err } = await pair(["row-1", "--code", CODE], link);
      expect([seed, err, exitCode]).toEqual([seed, err, 0]);
      expect(await send(link, "row-1")).toMatchObject({ exitCode: 0, isProtected: true });
    }
  });

  it("compares six digits: shows both, and takes yes", async () => {
    for (const answer of ["yes", "Y"]) {
      const { err, exitCode } = await pair(["row-1", "--way", "compare"], "lossy:", [answer]);
      expect(exitCode).toBe(0);
      const [, shown] =
        /The simulated board shows (\d{3} \d{3}); its person accepts/.exec(err) ?? [];
      expect(shown).toBeDefined();
      expect(err).toContain(`Does the board show the same six digits, ${shown}? Type yes or no:`);
    }
  });

  it.each([["no"], ["yes please"], [""], [undefined]])(
    "takes %j for no: nothing is paired",
    async (answer) => {
      const typed = answer === undefined ? [] : [answer];
      const { err, context, exitCode } = await pair(
        ["row-1", "--way", "compare", "--json"],
        "lossy:",
        typed,
      );
      expect(exitCode).toBe(1);
      expect(err).toContain("fardel: You refused.");
      expect(context.objects.at(-1)).toMatchObject({ error: { code: "refused-here" } });
      expect(await kept()).toEqual([]);
    },
  );

  it("says that a claim code is wrong, and pairs nothing", async () => {
    const { err, exitCode } = await pair([ROW_1, "--code", "00000-00000"], "lossy:");
    expect([exitCode, err]).toEqual([1, expect.stringContaining("The claim code is wrong, or")]);
    expect(await kept()).toEqual([]);
  });

  it("lets a person type a code again that is none, three times", async () => {
    const good = await pair(["row-1"], "lossy:", ["7K3VD", CODE.toLowerCase().replace("-", " ")]);
    expect(good.exitCode).toBe(0);
    expect(good.err).toContain("A claim code has 10 characters, this one has 5.");
    const bad = await pair(["row-1"], "lossy:", ["1", "2", "3", CODE]);
    expect([bad.exitCode, bad.err]).toEqual([1, expect.stringContaining("this one has 1.")]);
    const none = await pair(["row-1"], "lossy:", []);
    expect([none.exitCode, none.err]).toEqual([2, expect.stringContaining("The input ended")]);
  });

  it("reads the code from the input, so that it is in no history", async () => {
    expect((await pair(["row-1", "--code", "-"], "lossy:", [CODE])).exitCode).toBe(0);
    const none = await pair(["row-1", "--code", "-"], "lossy:", []);
    expect([none.exitCode, none.err]).toEqual([2, expect.stringContaining("The input ended")]);
    const bad = await pair(["row-1", "--code", "UUUUU-UUUUU"], "lossy:", []);
    expect([bad.exitCode, bad.err]).toEqual([1, expect.stringContaining('There is no "U"')]);
  });

  it("chooses nobody where two are about as near, and says what to do", async () => {
    const link = "lossy:boards=2,distance=1,spacing=0.1";
    const { err, context, exitCode } = await pair(["--timeout", "5s", "--json"], link, [CODE]);
    expect(exitCode).toBe(1);
    expect(err).toContain("Two boards are about as near: row-");
    expect(err).toContain("No board was chosen within 5 s. Two boards are about as near");
    expect(context.objects.at(-1)).toMatchObject({
      error: { code: "about-as-near", candidates: expect.arrayContaining([ROW_1]) },
    });
    expect(context.objects.map(({ type }) => type)).toEqual(["found", "found", "doubt", undefined]);
    expect(await kept()).toEqual([]);
  });

  it("says that nobody is in pairing mode, or near enough", async () => {
    const nobody = await pair(["--timeout", "4s"], "lossy:loss=1");
    expect([nobody.exitCode, nobody.err]).toEqual([
      1,
      expect.stringContaining("within 4 s. No board in pairing mode was heard yet: press the"),
    ]);
    const other = await pair(["--timeout", "4s", "--kind", "gate"], "lossy:");
    expect(other.exitCode).toBe(1);
    const far = await pair(["--timeout", "4s"], "lossy:distance=80");
    expect([far.exitCode, far.err]).toEqual([
      1,
      expect.stringContaining("No board is near enough"),
    ]);
    const silent = await pair(["--timeout", "4s", "row-60"], "lossy:boards=60");
    expect([silent.exitCode, silent.err]).toEqual([
      1,
      expect.stringContaining("row-60 (02:00:00:00:00:3d) is there, but not in pairing mode"),
    ]);
    const unknown = await pair(["--timeout", "4s", "row-9"], "lossy:");
    expect([unknown.exitCode, unknown.err]).toEqual([
      1,
      expect.stringContaining('Nobody who is called "row-9" was heard'),
    ]);
  });

  it("tries an address at which nobody was heard, and says that nobody answers", async () => {
    const { err, exitCode } = await pair(["02:00:00:00:00:77", "--code", CODE], "lossy:");
    expect([exitCode, err]).toEqual([1, expect.stringContaining("The board did not answer.")]);
  });

  it("needs an address where nobody can be asked for a name", async () => {
    const link = "lossy:preset=bleAtt,mtu=250";
    expect((await pair([ROW_1, "--code", CODE], link)).exitCode).toBe(0);
    const named = await pair(["row-9", "--code", CODE], link);
    expect([named.exitCode, named.err]).toEqual([2, expect.stringContaining("Write 6 bytes")]);
    const none = await pair([], link);
    expect([none.exitCode, none.err]).toEqual([2, expect.stringContaining("everybody at once")]);
  });

  it("explains what a cable is for, and asks", async () => {
    const no = await pair([ROW_1, "--way", "cable"], "lossy:preset=bleAtt,mtu=250", ["no"]);
    expect(no.err).toContain("only for a cable, never over the air");
    expect([no.exitCode, no.err]).toEqual([1, expect.stringContaining("Choose another way")]);
    // A simulated board does not take it; with an announcement that is known before.
    const yes = await pair([ROW_1, "--way", "cable", "--yes"], "lossy:preset=bleAtt,mtu=250");
    expect([yes.exitCode, yes.err]).toEqual([1, expect.stringContaining("only over a cable")]);
    const announced = await pair(["row-1", "--way", "cable"], "lossy:");
    expect(announced.err).toContain("does not take cable now, only code, compare.");
  });

  it("renews the key of a board that is paired, without a person", async () => {
    await pair(["row-1", "--code", CODE], "lossy:");
    const [before] = await kept();
    const { exitCode, err } = await pair(["row-1", "--way", "renew"], "lossy:");
    expect([exitCode, err]).toEqual([0, expect.stringContaining("It is paired already, as row-1")]);
    const [after] = await kept();
    expect(after?.keys).toHaveLength(1);
    expect(after?.keys[0]?.secret).not.toEqual(before?.keys[0]?.secret);
    expect(await send("lossy:", "row-1")).toMatchObject({ exitCode: 0, isProtected: true });
    const stranger = await pair(["row-2", "--way", "renew"], "lossy:boards=2");
    expect([stranger.exitCode, stranger.err]).toEqual([
      1,
      expect.stringContaining("There is no key for this address"),
    ]);
  });

  it("calls it as it is told, unless another one is called so", async () => {
    expect((await pair(["row-1", "--code", CODE, "--as", "gate"], "lossy:")).out).toContain(
      "--to gate --link lossy:",
    );
    const code = inventedClaimCode(Uint8Array.of(2, 0, 0, 0, 0, 3));
    const link = "lossy:boards=2,channels=6";
    const taken = await pair(["row-2", "--code", code, "--as", "gate"], link);
    expect([taken.exitCode, taken.err]).toEqual([2, expect.stringContaining("called gate")]);
    expect(await kept()).toHaveLength(1);
    await pair(["row-2", "--code", code, "--as", "fan of row 2"], link);
    expect(await kept()).toMatchObject([
      { name: "fan of row 2", radioChannel: 6 },
      { name: "gate", kind: "row-station" },
    ]);
    // What it is called in the store goes before what boards call themselves.
    const again = await pair(["gate", "--code", CODE], "lossy:");
    expect([again.exitCode, again.err]).toEqual([0, expect.stringContaining("already, as gate")]);
    expect(await kept()).toHaveLength(2);
  });

  it("trusts a board again that was revoked, and says so", async () => {
    await pair(["row-1", "--code", CODE], "lossy:");
    await fardel(["peers", "revoke", "row-1"]);
    expect(await send("lossy:", "row-1")).toMatchObject({ error: { code: "peer-revoked" } });
    const { err, exitCode } = await pair(["row-1", "--code", CODE], "lossy:");
    expect([exitCode, err]).toEqual([0, expect.stringContaining("pairing trusts it again")]);
    expect(await send("lossy:", "row-1")).toMatchObject({ exitCode: 0, isProtected: true });
  });

  it("tells programs each step", async () => {
    const args = ["--way", "compare", "--json"];
    const { context } = await pair(args, CLOSE, ["yes"]);
    const objects = context.objects.filter(({ type }) => type !== "found");
    expect(objects).toEqual([
      { type: "chosen", address: ROW_1, way: "compare" },
      { type: "step", step: "offered" },
      { type: "step", step: "answered" },
      { type: "short-code", shortCode: expect.stringMatching(/^\d{6}$/) },
      { type: "step", step: "waiting" },
      { type: "step", step: "agreed" },
      { type: "step", step: "confirmed" },
      {
        type: "result",
        name: "row-1",
        address: ROW_1,
        kind: "row-station",
        way: "compare",
        isProtected: true,
        isConfirmed: true,
      },
    ]);
    const secret = (await kept())[0]?.keys[0]?.secret ?? new Uint8Array();
    expect(context.out + context.err).not.toContain(Buffer.from(secret).toString("hex"));
  });

  it("leaves a damaged store as it is, before anything is sent", async () => {
    await writeFile(store, "no store", { mode: 0o600 });
    const { err, exitCode } = await pair(["row-1", "--code", CODE], "lossy:");
    expect([exitCode, err]).toEqual([1, expect.stringContaining("It was left as it is")]);
    expect(await readFile(store, "utf8")).toBe("no store");
    expect(err).not.toContain("Looking");
  });

  it("makes no key that cannot be stored", async () => {
    await writeFile(join(folder, "file"), "");
    store = join(folder, "file", "peers.json");
    const { err, exitCode } = await pair(["row-1", "--code", CODE], "lossy:");
    expect([exitCode, err]).toEqual([1, expect.stringMatching(/cannot be|could not be stored/)]);
  });

  it.each([
    [["--way", "compare", "--code", CODE], "--code does not go with --way compare"],
    [["--yes"], "--yes goes with --way cable only"],
    [["--way", "renew"], "Say which board"],
    [["--way", "magic"], "Allowed choices are code, compare, cable, renew"],
    [["--timeout", "0s"], "Give more than 0"],
    [["row-1", "--code", CODE, "--as", "02:03"], "is not a name"],
    [["ff:ff:ff:ff:ff:ff"], "everybody's address"],
  ])("refuses %j", async (args, text) => {
    const { err, exitCode } = await pair(args, "lossy:");
    expect([exitCode, err]).toEqual([2, expect.stringContaining(text)]);
  });

  it("says that datagrams are too small", async () => {
    const { err, exitCode } = await pair(["row-1"], "lossy:mtu=90");
    expect([exitCode, err]).toEqual([1, expect.stringContaining("pairing needs 96")]);
  });

  it("has a help that tells of the invented boards", async () => {
    const { out } = await fardel(["pair", "--help"]);
    for (const text of ["depends on its address only, invented", "Ways:", "Exit codes:", "proves"])
      expect(out).toContain(text);
  });
});

describe("a question", () => {
  it("is not interrupted by what happens meanwhile", async () => {
    const typist = new Typist();
    const context = new TestContext({ peersFile: store, input: typist, isTerminal: true });
    const args = ["pair", "row-1", "--way", "compare", "--link", "lossy:"];
    const running = runToEnd(args, context);
    await context.said("Type yes or no: ");
    // The person takes a minute; the board has long said that it waits for its own.
    const { clock } = context;
    const sinceUs = clock.nowUs();
    while (clock.nowUs() < sinceUs + 60_000_000)
      await new Promise((resolve) => setImmediate(resolve));
    expect(context.err.endsWith("Type yes or no: ")).toBe(true);
    typist.type("yes");
    expect(await running).toBe(0);
    expect(context.err).toContain("Type yes or no: Waiting for the person at the board");
  });

  it("that is not answered in time ends with the pairing", async () => {
    const context = new TestContext({ peersFile: store, input: new Typist() });
    const args = ["pair", "row-1", "--way", "compare", "--link", "lossy:"];
    expect(await runToEnd(args, context)).toBe(1);
    expect(context.err).toContain("The pairing took too long.");
    expect(await kept()).toEqual([]);
  });
});

describe("Ctrl-C", () => {
  async function interruptAt(said: string, args: readonly string[], answer?: string) {
    const typist = new Typist();
    const context = new TestContext({ peersFile: store, input: typist });
    const running = runToEnd(["pair", "--link", "lossy:", "--trace", ...args], context);
    if (answer !== undefined) void context.said("Type yes or no:").then(() => typist.type(answer));
    await context.said(said);
    context.interrupt();
    const exitCode = await running;
    return { exitCode, err: context.err };
  }

  /** PAIR datagrams that have left: the first byte of each is its step. */
  const steps = (err: string) =>
    [...err.matchAll(/ to .* sent .*pair, \d+ bytes: (\d\d)/g)].map(([, step]) => step);

  it.each([
    ["while it looks", "Press the button", ["--timeout", "60s"], []],
    ["while it waits for a code", "Claim code:", ["row-1"], []],
    ["while it asks the board", "Asking the board", ["row-1", "--code", CODE], undefined],
    ["while it compares", "Type yes or no:", ["row-1", "--way", "compare"], undefined],
  ])("%s ends it cleanly on both sides", async (_, said, args, sent) => {
    const { exitCode, err } = await interruptAt(said, args);
    expect(exitCode).toBe(130);
    expect(err).toContain("Ended by Ctrl-C. Nothing was paired");
    expect(await kept()).toEqual([]);
    // Whoever was asked is told: ABORT.
    if (sent) expect(steps(err)).toEqual(sent);
    else if (steps(err).length > 0) expect(steps(err).at(-1)).toBe("08");
  });

  it("while it compares is heard by the board", async () => {
    const { err } = await interruptAt("Type yes or no:", ["row-1", "--way", "compare"]);
    expect(steps(err)).toContain("03");
    expect(steps(err).at(-1)).toBe("08");
  });

  it("comes too late when the key is in use", async () => {
    const args = ["row-1", "--way", "compare"];
    const { exitCode, err } = await interruptAt("Both have the same key", args, "yes");
    // The board had no time to say that it uses the key.
    expect([exitCode, err]).toEqual([
      0,
      expect.stringContaining("It has the key, and will use it"),
    ]);
    expect(await kept()).toHaveLength(1);
    expect(await send("lossy:", "row-1")).toMatchObject({ exitCode: 0, isProtected: true });
  });
});
