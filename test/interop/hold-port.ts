/** Opens a serial port, says so, and keeps it until it is ended: `{ "path": … }`. */
import { nodePortSource } from "@fardel/serial-bridge/node";

const { path } = JSON.parse(process.argv[2] ?? "{}") as { path: string };
await nodePortSource({ path }).open(115_200, {
  onBytes: () => undefined,
  onClosed: () => process.exit(1),
});
process.on("disconnect", () => process.exit());
process.send?.({ type: "open" });
