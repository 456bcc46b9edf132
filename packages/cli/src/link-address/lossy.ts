import type { Address, Clock } from "@fardel/core";
import {
  type BurstLoss,
  environments,
  formatAddress,
  type Impairments,
  Medium,
  type MediumOptions,
  type Position,
  Random,
} from "@fardel/lossy-link";
import { createPairKey, KeyRing, type PairedPeer } from "@fardel/pairing";
import type { Context } from "../context.js";
import { counted, duration, percent } from "../format.js";
import { hardwareAddress } from "./hardware-address.js";
import { inventedClaimCode } from "./invented-label.js";
import { type LossyAddress, presetOf } from "./link-syntax.js";
import type { OpenLink, SimulationOptions } from "./open-link.js";
import { boardName, SimulatedBoard } from "./simulated-board.js";

/** Address of this side on a simulated channel (locally administered, IEEE 802). */
export const GATEWAY_ADDRESS: Address = Uint8Array.of(2, 0, 0, 0, 0, 1);

/** So many of the boards are in pairing mode: each takes some airtime by announcing itself again and again. */
export const BOARDS_IN_PAIRING_MODE_MAX = 50;

export async function openLossy(
  address: LossyAddress,
  { clock }: Context,
  simulation: SimulationOptions = {},
): Promise<OpenLink> {
  const { board, distanceM, radioChannels = [] } = address;
  const addresses = Array.from({ length: address.boards }, (_, index) => countUp(board, index));
  const medium = new Medium(mediumOptions(address, clock));
  const link = medium.attach({
    address: gatewayBeside(addresses),
    ...(distanceM !== undefined && { position: { xM: 0, yM: 0 } }),
    ...radioChannelOf(address, 0),
  });
  const shortCodes = new Set<(shortCode: string) => void>();
  const boards = await Promise.all(
    addresses.map((boardAddress, index) =>
      SimulatedBoard.open({
        link: medium.attach({
          address: boardAddress,
          ...standing(address, index),
          ...radioChannelOf(address, index),
        }),
        clock,
        gateway: link.localAddress,
        row: index + 1,
        everyUs: address.everyUs,
        ring: keysOf(boardAddress, link.localAddress, simulation),
        ...(simulation.isFindable && {
          findable: {
            address: boardAddress,
            isInPairingMode: index < BOARDS_IN_PAIRING_MODE_MAX,
            random: randomOf(address, index),
            onShortCode: (shortCode: string) => {
              for (const listener of shortCodes) listener(shortCode);
            },
          },
        }),
      }),
    ),
  );
  const labels = addresses.map((boardAddress, index) => ({
    address: boardAddress,
    name: boardName(index + 1),
    claimCode: inventedClaimCode(boardAddress),
  }));
  return {
    link,
    describe: describe(address),
    ...(boards.length === 1 && { onlyPeer: board }),
    ...(radioChannels.length > 0 && {
      radio: {
        channel: () => link.radioChannel,
        setChannel: (channel: number) => link.setRadioChannel(channel),
      },
    }),
    simulated: {
      labels,
      onShortCode: (listener) => void shortCodes.add(listener),
    },
    parseAddress: async (text) => hardwareAddress(text, board.length),
    formatAddress,
    close: async () => {
      link.close();
      await Promise.all(boards.map((one) => one.close()));
    },
  };
}

/** The other side of the keys that the gateway has for a board: as if it had kept them since it was paired. */
function keysOf(board: Address, gateway: Address, { peers = [] }: SimulationOptions): KeyRing {
  const ring = new KeyRing();
  const known = peers.find(({ address }) => formatAddress(address) === formatAddress(board));
  if (known && known.keys.length > 0) ring.restore(otherSide(known, gateway));
  return ring;
}

function otherSide({ keys, usedIndex }: PairedPeer, gateway: Address) {
  return {
    address: gateway,
    name: "",
    keys: keys.map(({ secret, side }) =>
      createPairKey(secret, side === "initiator" ? "responder" : "initiator"),
    ),
    usedIndex,
    isRevoked: false,
  };
}

function randomOf({ seed }: LossyAddress, index: number): () => number {
  const random = new Random(`${seed}/board/${index}`);
  return () => random.uint32();
}

function radioChannelOf({ radioChannels }: LossyAddress, index: number) {
  const radioChannel = radioChannels?.[index % radioChannels.length];
  return radioChannel === undefined ? {} : { radioChannel };
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

/** Each further board stands behind the one before it. */
function standing(
  { distanceM, spacingM }: LossyAddress,
  index: number,
): { readonly position?: Position } {
  if (distanceM === undefined) return {};
  return { position: { xM: distanceM + index * spacingM, yM: 0 } };
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
  const { preset, loss, burst, seed, board, boards, radioChannels, everyUs } = address;
  const losses = burst === undefined ? "" : ` in bursts of ${burst}`;
  const who = boards === 1 ? "one board at" : `${counted(boards, "board")} from`;
  const readings = everyUs === undefined ? "" : `, readings every ${duration(everyUs)}`;
  const channels = radioChannels ? `, radio channels ${radioChannels.join(", ")}` : "";
  return `simulated channel (${preset}, ${percent(loss)} loss${losses}, seed ${seed}), ${who} ${formatAddress(board)}${channels}${readings}`;
}
