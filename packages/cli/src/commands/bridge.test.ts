import { describe, expect, it } from "vitest";
import { EXIT } from "../problem.js";
import { run } from "../run.js";
import { TestContext } from "../test-context.js";

/** What needs no port; test/interop/cli-processes.test.ts has one. */
describe("fardel bridge", () => {
  it.each([
    [["--behind", "serial:/dev/ttyUSB0"], "Behind a bridge is a radio"],
    [["--behind", "udp::7400"], "name a host of this computer"],
    [["--behind", "udp:[::]:7400"], "name a host of this computer"],
    [["--behind", "udp:127.0.0.1", "--boards", "3"], "--boards goes with lossy:"],
    [["--behind", "lossy:loss=2"], "loss=2 is not valid"],
    [["--behind", "lossy:", "--name", "x".repeat(65)], "more than 64 bytes"],
    [["--behind", "lossy:", "--queue", "65"], "from 1 to 64"],
    [[], "'-b, --behind <link>' not specified"],
  ])("refuses %j before it opens anything", async (args, sentence) => {
    const context = new TestContext();
    expect(await run(["bridge", "--port", "no-such-port", ...args], context)).toBe(EXIT.usage);
    expect(context.err).toContain(sentence);
  });

  it("says that the port is not there", async () => {
    const context = new TestContext();
    const args = ["bridge", "--json", "--port", "no-such-port", "--behind", "lossy:"];
    expect(await run(args, context)).toBe(EXIT.link);
    expect(context.objects).toEqual([
      { error: { code: "port-not-found", message: expect.stringContaining("no-such-port") } },
    ]);
  });
});
