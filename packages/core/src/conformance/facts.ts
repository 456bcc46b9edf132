import { Fault, NotApplicable } from "./setup.js";
import { hex, pattern, type Stage, sameBytes } from "./stage.js";

/** What a link says about itself. */
export const FACTS_CHECKS = {
  "mtuBytes is a whole number from 20 to 65535": (stage: Stage) => {
    for (const { link, label } of stage.stations) {
      const { mtuBytes } = link;
      if (!Number.isInteger(mtuBytes) || mtuBytes < 20 || mtuBytes > 65535) {
        throw new Fault(
          `mtuBytes of ${label} is ${mtuBytes}. Set it to the largest datagram that the link carries, a whole number from 20 to 65535.`,
        );
      }
    }
  },

  "mtuBytes stays the same while the link is open": async (stage: Stage) => {
    await stage.openAll();
    const before = stage.stations.map(({ link }) => link.mtuBytes);
    await stage.deliver(stage.a, stage.b, pattern(8));
    stage.stations.forEach(({ link: { mtuBytes }, label }, i) => {
      if (mtuBytes === before[i]) return;
      throw new Fault(
        `mtuBytes of ${label} went from ${before[i]} to ${mtuBytes} while the link was open. Settle it before open resolves.`,
      );
    });
  },

  "outstandingMax is a whole number of at least 1": (stage: Stage) => {
    for (const { link, label } of stage.stations) {
      const { outstandingMax } = link;
      if (!Number.isSafeInteger(outstandingMax) || outstandingMax < 1) {
        throw new Fault(
          `outstandingMax of ${label} is ${outstandingMax}. Set it to the number of datagrams that the link queues; 1 if it takes one at a time.`,
        );
      }
    }
  },

  "addresses are Uint8Arrays, one for each station": async (stage: Stage) => {
    await stage.openAll();
    const seen: [label: string, address: Uint8Array][] = [];
    for (const { link, label } of stage.stations) {
      for (const name of ["localAddress", "broadcastAddress"] as const) {
        const address = link[name];
        if (address === undefined) continue;
        if (!(address instanceof Uint8Array) || address.length === 0) {
          throw new Fault(
            `${name} of ${label} is not a Uint8Array of at least one byte. Leave it out if the link does not know it.`,
          );
        }
        if (name === "broadcastAddress") continue;
        const twin = seen.find(([, other]) => sameBytes(other, address));
        if (twin) {
          throw new Fault(
            `${label} and ${twin[0]} both have the localAddress ${hex(address)}. Give each station an address of its own.`,
          );
        }
        seen.push([label, address]);
      }
    }
  },

  "airtimeUs grows with the datagram, if there is one": ({ a: { link } }: Stage) => {
    if (!link.airtimeUs) throw new NotApplicable("The link has no airtimeUs.");
    let lastUs = 0;
    for (let bytes = 1; bytes <= link.mtuBytes; bytes++) {
      const us = link.airtimeUs(bytes);
      if (!Number.isFinite(us) || us < lastUs) {
        throw new Fault(
          `airtimeUs(${bytes}) is ${us}, after ${lastUs} for one byte less. Return microseconds, 0 or more, that never fall as the datagram grows; leave airtimeUs out if they are not known.`,
        );
      }
      lastUs = us;
    }
  },
};
