import { Endpoint, type EndpointOptions } from "@fardel/core";
import {
  type LossyPair,
  lossyPair,
  type Observation,
  type PairOptions,
  Random,
} from "@fardel/lossy-link";

/** A gateway and a board that have never spoken, on a medium of their own. */
export interface BenchPair extends LossyPair {
  readonly gateway: Endpoint;
  readonly board: Endpoint;
  /** Numbers for the benchmark itself. */
  readonly random: Random;
  isFromGateway(observation: Observation): boolean;
}

/** Everything random in it comes from the seed. */
export async function openPair(
  seed: number,
  medium: PairOptions,
  config: Omit<EndpointOptions, "link" | "clock" | "random"> = {},
): Promise<BenchPair> {
  const pair = lossyPair({ ...medium, seed });
  const { a, b, clock } = pair;
  const numbers = new Random(seed);
  const open = (link: typeof a, name: string) => {
    const stream = numbers.stream(name);
    return Endpoint.open({ link, clock, random: () => stream.uint32(), ...config });
  };
  const gateway = await open(a, "gateway");
  const board = await open(b, "board");
  return {
    ...pair,
    gateway,
    board,
    random: numbers.stream("bench"),
    isFromGateway: ({ from }) => from.every((byte, i) => byte === a.localAddress[i]),
  };
}

/** Bytes that do not repeat within any message here. */
export function body(bytes: number, random: Random): Uint8Array {
  return Uint8Array.from({ length: bytes }, () => random.uint32() & 0xff);
}
