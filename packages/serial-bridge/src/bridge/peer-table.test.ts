import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { PeerTable } from "./peer-table.js";
import { EVERYBODY, station } from "./scripted-host.js";

const nobody = () => false;

describe("a full table", () => {
  it("has no room while all in it are in use, and nothing changes", () => {
    const table = new PeerTable(2, undefined);
    table.admit(station(1), nobody);
    table.admit(station(2), nobody);
    expect(table.admit(station(3), () => true)).toBeUndefined();
    expect(table.admit(station(3), nobody)).toEqual({ isNew: true, putOut: station(1) });
    expect(table.putOutCount).toBe(1);
  });

  it("does not keep the array that it was given", () => {
    const table = new PeerTable(1, undefined);
    const own = station(1);
    table.admit(own, nobody);
    own.fill(0);
    expect(table.admit(station(1), nobody)).toEqual({ isNew: false, putOut: undefined });
  });
});

describe("any sequence of datagrams", () => {
  /** By when each address was sent to last, with nothing but a map. */
  class Model {
    readonly lastUse = new Map<string, number>();
    #uses = 0;

    constructor(readonly peersMax: number) {}

    admit(key: string, isInUse: (key: string) => boolean) {
      const use = ++this.#uses;
      if (this.lastUse.has(key)) {
        this.lastUse.set(key, use);
        return { isNew: false, putOut: undefined };
      }
      let putOut: string | undefined;
      if (this.lastUse.size === this.peersMax) {
        const candidates = [...this.lastUse.keys()].filter(
          (known) => known !== `${EVERYBODY}` && !isInUse(known),
        );
        if (candidates.length === 0) return undefined;
        putOut = candidates.reduce((oldest, known) =>
          this.lastUse.get(known)! < this.lastUse.get(oldest)! ? known : oldest,
        );
        this.lastUse.delete(putOut);
      }
      this.lastUse.set(key, use);
      return { isNew: true, putOut };
    }
  }

  it("puts out the one sent to longest ago that may go, as in a table of instants", () => {
    const step = fc.record({
      to: fc.nat(30),
      inUse: fc.uniqueArray(fc.nat(30), { maxLength: 6 }),
    });
    fc.assert(
      fc.property(
        fc.array(step, { maxLength: 200 }),
        fc.integer({ min: 1, max: 20 }),
        (steps, peersMax) => {
          const table = new PeerTable(peersMax, EVERYBODY);
          const model = new Model(peersMax);
          for (const { to, inUse } of steps) {
            const address = to === 0 ? EVERYBODY : station(to);
            const used = inUse.map((number) => `${number === 0 ? EVERYBODY : station(number)}`);
            const admission = table.admit(address, (known) => used.includes(`${known}`));
            const expected = model.admit(`${address}`, (known) => used.includes(known));
            const seen = admission && {
              ...admission,
              putOut: admission.putOut && `${admission.putOut}`,
            };
            expect(seen).toEqual(expected);
          }
        },
      ),
      { numRuns: 300 },
    );
  });
});
