import { fileURLToPath } from "node:url";
import type { BytePort, PortSource } from "@fardel/serial-bridge";
import type { Page } from "playwright-core";

const SCRIPT = fileURLToPath(new URL("page-serial.js", import.meta.url));

/**
 * Gives a page a `navigator.serial` with one port, whose cable ends at a source of ports here: what
 * a browser does with a device, without the device. Call it before the page is opened.
 */
export async function giveSerialPort(page: Page, source: PortSource): Promise<void> {
  let port: BytePort | undefined;
  // Bytes must not overtake each other on their way to the page.
  let line: Promise<unknown> = Promise.resolve();
  const tell = (call: string) => {
    // The page may be closed by now.
    line = line.then(() => page.evaluate(call)).catch(() => {});
  };
  const handlers = {
    onBytes: (bytes: Uint8Array) => tell(`serialFeed(${JSON.stringify([...bytes])})`),
    onClosed: () => tell("serialUnplug()"),
  };
  await page.exposeFunction("serialOpen", async (bitRate: number) => {
    try {
      port = await source.open(bitRate, handlers);
      return "";
    } catch (error) {
      return error instanceof Error ? error.message : String(error);
    }
  });
  await page.exposeFunction("serialWrite", (bytes: number[]) => {
    return new Promise<void>((resolve) => port?.write(Uint8Array.from(bytes), resolve));
  });
  await page.exposeFunction("serialClose", () => port?.close());
  await page.addInitScript({ path: SCRIPT });
}
