import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { EXIT } from "../problem.js";
import { run } from "../run.js";
import { TestContext } from "../test-context.js";

async function estimate(...args: string[]) {
  const context = new TestContext();
  const code = await run(["estimate", ...args], context);
  return { code, out: context.out, err: context.err, objects: () => context.objects };
}

describe("fardel estimate", () => {
  it("prints each figure, its formula and its source", async () => {
    const { code, out, err } = await estimate(
      "--bytes",
      "12458",
      "--loss",
      "0.2",
      "--window",
      "16",
    );
    expect({ code, err }).toEqual({ code: EXIT.done, err: "" });
    expect(out).toContain("12,458 bytes from a gateway to a board never spoken to before.\n");
    expect(out).toContain(
      "Link reference: datagrams of 250 bytes, 20 % lost each way; window 16.\n",
    );
    expect(out).toMatch(/\nfragments +52\n/);
    expect(out).toMatch(/\nmemory on the board +4,380 bytes\n/);
    expect(out).toContain("check the local radio rules");
    expect(out).toContain("      PROTOCOL.md, section 13\n");
    expect(out).not.toContain("simulated");
  });

  it("takes the size of a file", async () => {
    const folder = await mkdtemp(join(tmpdir(), "fardel-estimate-"));
    const file = join(folder, "update.bin");
    await writeFile(file, new Uint8Array(500));
    expect((await estimate("--bytes", file)).out).toContain("500 bytes from a gateway");
    expect((await estimate("--bytes", folder)).err).toContain("is not a file.");
    expect((await estimate("--bytes", join(folder, "none"))).code).toBe(EXIT.usage);
    await rm(folder, { recursive: true });
  });

  it("--json prints one line", async () => {
    const { objects } = await estimate("--bytes", "2kB", "--link-preset", "ieee802154", "--json");
    expect(objects()).toHaveLength(1);
    expect(objects()[0]).toMatchObject({
      type: "result",
      bytes: 2000,
      preset: "ieee802154",
      mtuBytes: 102,
      loss: 0,
      window: 64,
    });
    const [{ figures } = { figures: [] }] = objects() as unknown as {
      figures: { name: string }[];
    }[];
    expect(figures.map(({ name }) => name)).toEqual([
      "fragments",
      "datagrams",
      "airtimeUs",
      "dutyCycle",
      "timeUs",
      "lateUs",
      "channelShare",
      "efficiency",
      "memoryBytes",
    ]);
  });

  it("--check shows the simulation beside it, and holds", async () => {
    const args = ["--bytes", "4096", "--loss", "10%", "--check", "--seeds", "40"];
    const [one, other] = [await estimate(...args), await estimate(...args)];
    expect(one.code).toBe(EXIT.done);
    expect(one.out).toBe(other.out);
    expect(one.out).toMatch(/\nfigure +estimate +simulated +difference +chance\n/);
    expect(one.out).toMatch(/\ntime to deliver, mean +\S+ ms +\S+ ms +[+-]?\d+\.\d % +± \S+ %\n/);
    expect(one.out).toContain("Simulated: 40 runs, seeds 1 to 40.");
    expect(one.out).toContain("The estimate holds");
  });

  it("--check exits with 1 where the estimate does not hold", async () => {
    // Known to be too long: probes carry the smallest datagrams' data again.
    const args = ["--bytes", "16", "--link-preset", "bleAtt", "--loss", "0.3", "--check"];
    const { code, out } = await estimate(...args, "--seeds", "1000", "--tolerance", "0.5%");
    expect(code).toBe(EXIT.failed);
    expect(out).toContain("The estimate does NOT hold");
  });

  it("Ctrl-C shows what was simulated until then", async () => {
    const context = new TestContext({ isTerminal: true });
    const args = ["estimate", "--bytes", "4096", "--check", "--seeds", "10000"];
    const done = run(args, context);
    await context.said("of 10,000 runs");
    context.interrupt();
    expect(await done).toBe(EXIT.interrupted);
    expect(context.out).toContain("(PARTIAL: ended by Ctrl-C)");
    const early = new TestContext();
    early.interrupt();
    expect(await run(args, early)).toBe(EXIT.interrupted);
    expect(early.out).toBe("");
  });

  it.each([
    [[], "--bytes"],
    [["--bytes", "10", "--loss", "0.95"], "--loss 0.95 is too much: give a share up to 0.9."],
    [["--bytes", "10", "--loss", "2"], "Give a number from 0 to 1"],
    [["--bytes", "10", "--mtu", "19"], "Give a whole number from 20 to 65535"],
    [["--bytes", "10", "--link-preset", "wire"], "Allowed choices are reference"],
    [["--bytes", "2MB"], "A message of 2,000,000 bytes is larger"],
    [["--bytes", "10parsecs"], "Give bytes, such as 4096, 64kB or 1MiB."],
  ])("%j cannot be understood", async (args, sentence) => {
    const { code, out, err } = await estimate(...args);
    expect({ code, out }).toEqual({ code: EXIT.usage, out: "" });
    expect(err).toContain(sentence);
  });
});
