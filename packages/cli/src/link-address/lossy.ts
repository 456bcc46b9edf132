import type { Address, Clock } from "@fardel/core";
import {
  type BurstLoss,
  environments,
  formatAddress,
  type Impairments,
  Medium,
  type MediumOptions,
  type Position,
} from "@fardel/lossy-link";
import type { Context } from "../context.js";
import { counted, duration, percent } from "../format.js";
import { hardwareAddress } from "./hardware-address.js";
import { type LossyAddress, presetOf } from "./link-syntax.js";
import type { OpenLink } from "./open-link.js";
import { SimulatedBoard } from "./simulated-board.js";

/** Address of this side on a simulated channel (locally administered, IEEE 802). */
export const GATEWAY_ADDRESS: Address = Uint8Array.of(2, 0, 0, 0, 0, 1);

/** Each further board stands so many metres behind the one before it. */
const ROW_M = 5;

export async function openLossy(address: LossyAddress, { clock }: Context): Promise<OpenLink> {
  const { board, distanceM } = address;
  const addresses = Array.from({ length: address.boards }, (_, index) => countUp(board, index));
  const medium = new Medium(mediumOptions(address, clock));
  const link = medium.attach({
    address: gatewayBeside(addresses),
    ...(distanceM !== undefined && { position: { xM: 0, yM: 0 } }),
  });
  const boards = await Promise.all(
    addresses.map((boardAddress, index) => {
      const position = distanceM !== undefined && { position: standing(distanceM, index) };
      return SimulatedBoard.open({
        link: medium.attach({ address: boardAddress, ...position }),
        clock,
        gateway: link.localAddress,
        row: index + 1,
        everyUs: address.everyUs,
      });
    }),
  );
  return {
    link,
    describe: describe(address),
    ...(boards.length === 1 && { onlyPeer: board }),
    parseAddress: async (text) => hardwareAddress(text, board.length),
    formatAddress,
    close: async () => {
      link.close();
      await Promise.all(boards.map((one) => one.close()));
    },
  };
}

function mediumOptions(address: LossyAddress, clock: Clock): MediumOptions {
  const { seed, distanceM } = address;
  return {
    ...presetOf(address),
    ...impairments(address),
    clock,
    seed,
    ...(distanceM !== undefined && { propagation: environments.orchard }),
  };
}

function impairments({ loss, burst, duplicate, corrupt, delayUs }: LossyAddress): Impairments {
  const losses = burst === undefined ? { loss } : { burst: burstLoss(loss, burst) };
  return {
    ...losses,
    ...(delayUs > 0 && { delayUs }),
    ...(duplicate > 0 && { duplication: { probability: duplicate } }),
    ...(corrupt > 0 && { corruption: { probability: corrupt, bitsMin: 1, bitsMax: 8 } }),
  };
}

/** Everything is lost in the bad state, nothing in the good one: E. N. Gilbert's channel. */
function burstLoss(loss: number, meanLength: number): BurstLoss {
  const badToGood = 1 / meanLength;
  return { goodToBad: (loss * badToGood) / (1 - loss), badToGood };
}

function standing(distanceM: number, index: number): Position {
  return { xM: distanceM + index * ROW_M, yM: 0 };
}

/** The address so many places behind the first one. */
function countUp(first: Address, by: number): Address {
  const address = first.slice();
  let carry = by;
  for (let at = address.length - 1; carry > 0 && at >= 1; at--) {
    carry += address[at] ?? 0;
    address[at] = carry & 0xff;
    carry >>= 8;
  }
  return address;
}

/** The usual gateway, or another one if a board was given its address. */
function gatewayBeside(boards: readonly Address[]): Address {
  const taken = new Set(boards.map(formatAddress));
  const gateway = GATEWAY_ADDRESS.slice();
  // The lowest bits of the first byte say what kind of address it is (IEEE 802).
  while (taken.has(formatAddress(gateway))) gateway[0] = (gateway[0] ?? 0) + 4;
  return gateway;
}

function describe(address: LossyAddress): string {
  const { preset, loss, burst, seed, board, boards, everyUs } = address;
  const losses = burst === undefined ? "" : ` in bursts of ${burst}`;
  const who = boards === 1 ? "one board at" : `${counted(boards, "board")} from`;
  const readings = everyUs === undefined ? "" : `, readings every ${duration(everyUs)}`;
  return `simulated channel (${preset}, ${percent(loss)} loss${losses}, seed ${seed}), ${who} ${formatAddress(board)}${readings}`;
}
