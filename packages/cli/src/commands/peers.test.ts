import { mkdtemp, readFile, rm, stat, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Endpoint } from "@fardel/core";
import { type PairedPeer, PeerBook } from "@fardel/pairing";
import { PeerFile } from "@fardel/pairing/node";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { openLink } from "../link-address/open-link.js";
import { readPairedBoards, withPairedBoards } from "../paired/paired-boards.js";
import { passTime, runToEnd, TestContext } from "../test-context.js";

let folder: string;
let store: string;
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-cli-peers-"));
  store = join(folder, "peers.json");
});
afterEach(() => rm(folder, { recursive: true, force: true }));

function peer(name: string, last: number, more: Partial<PairedPeer> = {}): PairedPeer {
  return {
    address: Uint8Array.of(2, 0, 0, 0, 0, last),
    name,
    keys: [{ secret: new Uint8Array(32).fill(0xa0 + last), side: "initiator" }],
    usedIndex: 0,
    firstSeenMs: Date.UTC(2026, 3, 17, 21, 5),
    lastSeenMs: Date.UTC(2026, 3, 18, 3, 20),
    ...more,
  };
}

async function fill(...peers: PairedPeer[]): Promise<void> {
  const book = new PeerBook(new PeerFile(store));
  for (const each of peers) await book.put(each);
}

async function peers(...args: string[]) {
  const context = new TestContext({ peersFile: store });
  const exitCode = await runToEnd(["peers", ...args], context);
  const { out, err } = context;
  return { out, err, exitCode };
}

describe("fardel peers", () => {
  it("says what to do when there are none", async () => {
    const { out, exitCode } = await peers();
    expect(out).toContain("No board is paired yet. fardel pair does that");
    expect(exitCode).toBe(0);
  });

  it("lists them in a table, without their keys", async () => {
    await fill(
      peer("row-7", 7, { kind: "row-station", radioChannel: 6 }),
      peer("gate", 3, { keys: [], usedIndex: 0 }),
      peer("lost", 9, { keys: [], usedIndex: 0, revokedMs: Date.UTC(2026, 3, 18) }),
    );
    for (const args of [[], ["list"]]) {
      const { out } = await peers(...args);
      expect(out).toBe(
        [
          "Name   Address            Kind         Protection                Channel  First seen        Last seen",
          "gate   02:00:00:00:00:03               none                               2026-04-17 21:05  2026-04-18 03:20",
          "lost   02:00:00:00:00:09               revoked 2026-04-18 00:00           2026-04-17 21:05  2026-04-18 03:20",
          "row-7  02:00:00:00:00:07  row-station  protected                       6  2026-04-17 21:05  2026-04-18 03:20",
          "",
        ].join("\n"),
      );
    }
    const { out } = await peers("--json");
    expect(out).not.toContain("a7a7");
    expect(JSON.parse(out)).toMatchObject({
      type: "peers",
      peers: [
        { name: "gate" },
        { name: "lost", isRevoked: true },
        { name: "row-7", kind: "row-station", isProtected: true },
      ],
    });
  });

  it("renames, and takes the beginning of a name or an address for a board", async () => {
    await fill(peer("row-7", 7), peer("gate", 3));
    expect((await peers("rename", "ro", "row seven")).out).toBe("row-7 is called row seven now.\n");
    expect((await peers("rename", "02:00:00:00:00:03", "row-7")).exitCode).toBe(0);
    const taken = await peers("rename", "row-7", "row seven");
    expect([taken.exitCode, taken.err]).toEqual([
      2,
      expect.stringContaining("Give one another name"),
    ]);
    const none = await peers("rename", "x", "y");
    expect([none.exitCode, none.err]).toEqual([2, expect.stringContaining("2 are known")]);
    const ambiguous = await peers("rename", "row", "y");
    expect([ambiguous.exitCode, ambiguous.err]).toEqual([
      2,
      expect.stringContaining("row seven, row-7"),
    ]);
  });

  it("revokes and forgets", async () => {
    await fill(peer("row-7", 7), peer("gate", 3));
    expect((await peers("revoke", "row-7")).out).toContain("row-7 is revoked");
    expect(await readFile(store, "utf8")).not.toContain("a7a7");
    expect(JSON.parse((await peers("forget", "gate", "--json")).out)).toMatchObject({
      type: "forgotten",
      peer: { name: "gate" },
    });
    expect(JSON.parse((await peers("--json")).out).peers).toMatchObject([
      { name: "row-7", isRevoked: true },
    ]);
  });

  it("writes a private file for another gateway, never over one that is there, and reads it", async () => {
    await fill(peer("row-7", 7), peer("gate", 3));
    const file = join(folder, "boards.json");
    expect((await peers("export", file)).out).toContain("2 boards written to");
    expect((await stat(file)).mode & 0o777).toBe(0o600);
    expect((await peers("export", file)).exitCode).not.toBe(0);
    const other = join(folder, "other.json");
    expect((await peers("import", file, "--store", other)).out).toBe(
      "2 boards taken: gate, row-7.\n",
    );
    expect((await peers("import", file, "--store", other)).out).toContain("Nothing is new in it");
    expect((await peers("import", file, "--store", other, "--replace")).out).toContain("2 boards");
    await writeFile(file, "{}");
    const bad = await peers("import", file);
    expect([bad.exitCode, bad.err]).toEqual([1, expect.stringContaining("is damaged")]);
    expect((await peers("import", join(folder, "none"))).exitCode).toBe(2);
  });

  it("reports a damaged store, and leaves it as it is", async () => {
    await writeFile(store, "no store", { mode: 0o600 });
    for (const args of [[], ["forget", "row-7"], ["rename", "a", "b"]]) {
      const { exitCode, err } = await peers(...args);
      expect([exitCode, err]).toEqual([1, expect.stringContaining("It was left as it is")]);
    }
    expect(await readFile(store, "utf8")).toBe("no store");
  });

  it("shows control characters in names of boards as what they are", async () => {
    await fill(peer("row-7", 7, { kind: "\u001b[2J" }));
    expect((await peers()).out).toContain("\\u{1b}[2J");
  });

  it("has a help with examples", async () => {
    const { out } = await peers("--help");
    for (const word of ["rename", "revoke", "forget", "export", "import", "Exit codes:"])
      expect(out).toContain(word);
  });
});

describe("names of paired boards", () => {
  it("go everywhere where an address goes", async () => {
    await fill(peer("row-7", 0x0b, { keys: [], usedIndex: 0 }));
    const context = new TestContext({ peersFile: store });
    const link = "lossy:board=02:00:00:00:00:0b";
    const file = join(folder, "fans.bin");
    await writeFile(file, "on");
    const args = ["send", file, "--to", "row-7", "--link", link, "--json"];
    expect(await runToEnd(args, context)).toBe(0);
    expect(context.err).toContain("to row-7 (02:00:00:00:00:0b) over");
    expect(context.objects.at(-1)).toMatchObject({ to: "02:00:00:00:00:0b", isProtected: false });
  });

  it("a board with a key is spoken to in protected sessions, and a revoked one not at all", async () => {
    await fill(peer("row-7", 0x0b), peer("lost", 0x0c, { keys: [], usedIndex: 0, revokedMs: 1 }));
    const file = join(folder, "fans.bin");
    await writeFile(file, "on");
    const send = async (to: string, link: string) => {
      const context = new TestContext({ peersFile: store });
      const args = ["send", file, "--to", to, "--link", link, "--deadline", "2s", "--json"];
      const exitCode = await runToEnd(args, context);
      return { exitCode, ...context.objects.at(-1) };
    };
    // The simulated board has the other side of the key.
    expect(await send("row-7", "lossy:board=02:00:00:00:00:0b")).toMatchObject({
      exitCode: 0,
      isProtected: true,
    });
    expect(await send("lost", "lossy:board=02:00:00:00:00:0c")).toMatchObject({
      exitCode: 1,
      error: { code: "peer-revoked" },
    });
  });

  it("a board that has lost its key is not spoken to in plain", async () => {
    await fill(peer("row-7", 0x0b));
    const context = new TestContext({ peersFile: store });
    // Without the peers of the store: this board knows nothing of them.
    const link = await openLink("lossy:board=02:00:00:00:00:0b", context);
    const open = withPairedBoards(link, await readPairedBoards({}, context), context);
    const { clock } = context;
    const endpoint = await Endpoint.open({ link: open.link, clock, ...open.endpointOptions });
    const sending = endpoint
      .peer(await open.parseAddress("row-7"))
      .send(Uint8Array.of(1), { deadlineMs: 2000 });
    await expect(passTime(clock, sending)).rejects.toMatchObject({ code: "deadline-passed" });
    await endpoint.close();
    await open.close();
  });
});
