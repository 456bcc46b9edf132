import { describe, expect, it } from "vitest";
import { type Computer, obstacle } from "./requirements.js";

const good: Computer = {
  platform: "linux",
  userId: 0,
  run: () => ({ isGood: true, said: "" }),
};

const without = (...commands: string[]): Computer => ({
  ...good,
  run: (command) => (commands.includes(command) ? undefined : { isGood: true, said: "" }),
});

/** As in a container without capabilities. */
const refused: Computer = {
  ...good,
  run: (_command, args) =>
    args.includes("--net")
      ? { isGood: false, said: "unshare failed: Operation not permitted\nmore\n" }
      : { isGood: true, said: "" },
};

describe("what a race needs", () => {
  it("is there", () => {
    expect(obstacle(good)).toBeUndefined();
  });

  it.each([
    [{ ...good, platform: "darwin" }, "this is darwin. Run it on Linux."],
    [{ ...good, userId: 1000 }, "it must be root. Run it with sudo."],
    [{ ...good, userId: undefined }, "it must be root. Run it with sudo."],
    [without("ip"), "Not installed: ip. Get it: apt-get install iproute2"],
    [
      without("ip", "gcc", "unshare"),
      "Not installed: ip, unshare, gcc. Get it: apt-get install iproute2 util-linux gcc libc6-dev",
    ],
    [refused, "(unshare failed: Operation not permitted). In a container, give it /dev/net/tun"],
  ])("is missing, and it is said what to do (%#)", (computer, sentence) => {
    expect(obstacle(computer)).toContain(sentence);
    expect(obstacle(computer)).not.toContain("\n");
  });

  it("is asked of this computer without an error", () => {
    const said = obstacle();
    expect(said === undefined || said.length > 20).toBe(true);
  });
});
