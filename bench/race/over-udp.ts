import { type Address, Endpoint, SystemClock } from "@fardel/core";
import { presets } from "@fardel/lossy-link";
import { UdpLink, udpAddress } from "@fardel/udp-link";
import { Receiver } from "../by-hand/receiver.js";
import { WAYS_UDP } from "../by-hand/ways.js";
import type { Carrier, Place } from "./contestant.js";
import { IP_MTU_BYTES, IP_UDP_HEADER_BYTES } from "./network.js";

const PORT = 7400;
const { airtime } = presets.reference();

function bind({ address }: Place): Promise<UdpLink> {
  return UdpLink.bind({ host: address, port: PORT, mtuBytes: IP_MTU_BYTES - IP_UDP_HEADER_BYTES });
}

const otherOf = ({ other }: Place): Address => udpAddress(`${other}:${PORT}`);

/** With its defaults, which know nothing of the relay: neither airtimes nor the length of its queue. */
export const fardelOverUdp: Carrier = {
  async receive(place, _task, onMessage) {
    const endpoint = await Endpoint.open({ link: await bind(place) });
    endpoint.onMessage(({ bytes }) => onMessage(bytes));
    return { heldBytes: () => endpoint.heldBytes, stop: () => endpoint.close() };
  },

  async send(place, bytes, { onStart, onEnd }) {
    const endpoint = await Endpoint.open({ link: await bind(place) });
    const peer = endpoint.peer(otherOf(place));
    onStart();
    peer.send(bytes, { priority: "bulk" }).then(
      () => onEnd(true),
      () => onEnd(false),
    );
    return { heldBytes: () => 0, stop: () => endpoint.close() };
  },
};

/** By hand; its author knows how long a frame takes on air, and keeps to it. */
export function byHandOverUdp(name: string): Carrier {
  const way = WAYS_UDP.find((one) => one.name === name);
  if (!way) throw new Error(`No way of this name: ${name}.`);
  return {
    async receive(place, _task, onMessage) {
      const link = await bind(place);
      const receiver = new Receiver({ link, acks: way.acks, onMessage });
      link.open({ onDatagram: (from, datagram) => receiver.handleDatagram(from, datagram) });
      return { heldBytes: () => receiver.heldBytes, stop: () => link.close() };
    },

    async send(place, bytes, { onStart, onEnd }) {
      const link = await bind(place);
      const sender = way.sender({
        link,
        clock: new SystemClock(),
        to: otherOf(place),
        bytes,
        airtimeUs: onAirUs,
        onEnd: (end) => onEnd(end !== "given-up"),
      });
      link.open({ onDatagram: (_from, datagram) => sender.handleDatagram(datagram) });
      onStart();
      sender.start();
      const stop = (): Promise<void> => {
        sender.stop();
        return link.close();
      };
      return { heldBytes: () => 0, stop };
    },
  };
}

function onAirUs(datagramBytes: number): number {
  const bytes = datagramBytes + IP_UDP_HEADER_BYTES + airtime.overheadBytes;
  return airtime.fixedUs + airtime.perByteUs * bytes;
}
