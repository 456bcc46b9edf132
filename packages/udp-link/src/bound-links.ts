// For tests: links on the loopback interface that are closed after each test. Linux has all of
// 127.0.0.0/8 there, and 127.255.255.255 is its broadcast address.

import { createSocket } from "node:dgram";
import type { Address } from "@fardel/core";
import { afterEach } from "vitest";
import { UdpLink } from "./link.js";
import type { UdpLinkOptions } from "./options.js";

export const BROADCAST_HOST = "127.255.255.255";

const bound: UdpLink[] = [];

afterEach(async () => {
  await Promise.all(bound.splice(0).map((link) => link.close()));
});

/** A link that is closed after the test. */
export async function bindLink(options: Partial<UdpLinkOptions> = {}): Promise<UdpLink> {
  const link = await UdpLink.bind({ host: "127.0.0.1", ...options });
  bound.push(link);
  return link;
}

/** A port that was free at 127.0.0.1 a moment ago. */
export async function freePort(): Promise<number> {
  const socket = createSocket("udp4");
  await new Promise<void>((resolve) => socket.bind({ address: "127.0.0.1" }, resolve));
  const { port } = socket.address();
  await new Promise<void>((resolve) => socket.close(resolve));
  return port;
}

/** What an open link has received, and a way to wait for it. */
export class Listener {
  readonly received: { readonly from: Address; readonly datagram: Uint8Array }[] = [];
  readonly statuses: string[] = [];
  #wake = () => {};

  constructor(readonly link: UdpLink) {
    link.open({
      onDatagram: (from, datagram) => {
        this.received.push({ from: from.slice(), datagram: datagram.slice() });
        this.#wake();
      },
      onStatus: (status) => this.statuses.push(status),
    });
  }

  get texts(): string[] {
    return this.received.map(({ datagram }) => new TextDecoder().decode(datagram));
  }

  async until(count: number): Promise<void> {
    while (this.received.length < count) {
      await new Promise<void>((resolve) => {
        this.#wake = resolve;
      });
    }
  }
}

/** Sends and waits for the outcome. */
export function sendText(link: UdpLink, to: Address, text: string): Promise<string> {
  return new Promise((resolve) => link.send(to, new TextEncoder().encode(text), resolve));
}
