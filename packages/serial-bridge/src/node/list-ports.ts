import { realpath } from "node:fs/promises";
import { deviceGroup } from "./device-group.js";
import { listLinuxPorts } from "./linux-ports.js";
import type { SerialPortInfo, SerialSystem } from "./serial-system.js";
import { listBoundPorts, openPort } from "./serialport.js";

/**
 * The serial ports of this computer, those without a USB device behind them too. Pseudo-terminals
 * are not listed. Rejects only where the operating system refuses to list.
 */
export function listSerialPorts(): Promise<SerialPortInfo[]> {
  return process.platform === "linux" ? listLinuxPorts() : listBoundPorts();
}

/** The operating system that this program runs on. */
export const thisSystem: SerialSystem = {
  open: openPort,
  list: listSerialPorts,
  groupOf: (path) => deviceGroup(path),
  realPath: (path) => realpath(path).catch(() => path),
};
