import { once } from "node:events";
import { connect, createServer, type Socket } from "node:net";
import type { Carrier, Side } from "./contestant.js";
import { useCongestionControl } from "./network.js";

const PORT = 7400;
/** What the receiver answers when it has read everything. */
const CONFIRMATION = Uint8Array.of(1);

/** The kernel's TCP: connect, write everything, wait for one byte that says that all was read. */
export function overTcp(congestionControl: string): Carrier {
  return {
    async receive({ address, other }, { bytes }, onMessage) {
      useCongestionControl(other, congestionControl);
      const parts: Buffer[] = [];
      const sockets: Socket[] = [];
      let heldBytes = 0;
      const server = createServer({ noDelay: true }, (socket) => {
        sockets.push(socket);
        socket.on("error", () => {});
        socket.on("data", (part: Buffer) => {
          parts.push(part);
          heldBytes += part.length;
          if (heldBytes < bytes) return;
          onMessage(Buffer.concat(parts));
          socket.write(CONFIRMATION);
        });
      });
      server.listen(PORT, address);
      await once(server, "listening");
      const stop = async (): Promise<void> => {
        server.close();
        for (const socket of sockets) reset(socket);
      };
      return { heldBytes: () => heldBytes, stop };
    },

    async send({ other }, bytes, { onStart, onEnd }): Promise<Side> {
      useCongestionControl(other, congestionControl);
      onStart();
      const socket = connect({ host: other, port: PORT, noDelay: true });
      socket.write(bytes);
      socket.once("data", () => onEnd(true));
      socket.once("error", () => onEnd(false));
      return { heldBytes: () => 0, stop: async () => reset(socket) };
    },
  };
}

/** The kernel forgets the connection: no retransmission, no state of closing. */
function reset(socket: Socket): void {
  socket.resetAndDestroy();
}
