import { SerialBridgeError, type SerialBridgeErrorCode } from "../errors.js";
import type { SerialPortInfo, SerialSystem } from "./serial-system.js";

/**
 * What the words of an operating system mean. The serialport package gives no codes, only texts: those
 * of strerror(3) with C's locale, which Node keeps, and on Windows its own.
 */
const MEANINGS: readonly (readonly [RegExp, SerialBridgeErrorCode])[] = [
  [/no such (?:file|device)|file not found|\b(?:ENOENT|ENXIO|ENODEV)\b/i, "port-not-found"],
  // Windows says "access denied" when another program has the port.
  [/busy|cannot lock|access denied|\bEBUSY\b/i, "port-busy"],
  [/permission denied|operation not permitted|\b(?:EACCES|EPERM)\b/i, "port-forbidden"],
];

export function messageOf(cause: unknown): string {
  return cause instanceof Error ? cause.message : String(cause);
}

/** Why a port could not be opened, and what to do about it. */
export async function portError(
  path: string,
  cause: unknown,
  system: Pick<SerialSystem, "list" | "groupOf">,
): Promise<SerialBridgeError> {
  const message = messageOf(cause);
  const code = MEANINGS.find(([words]) => words.test(message))?.[1] ?? "port-failed";
  const sentence = await sentenceFor(code, path, message, system);
  return new SerialBridgeError(code, sentence, { cause });
}

async function sentenceFor(
  code: SerialBridgeErrorCode,
  path: string,
  message: string,
  system: Pick<SerialSystem, "list" | "groupOf">,
): Promise<string> {
  switch (code) {
    case "port-not-found":
      return `There is no port ${path}. ${await whatIsThere(system)}`;
    case "port-busy":
      return `Another program has ${path} open. End it, then try again: two would steal each other's bytes.`;
    case "port-forbidden":
      return `You may not open ${path}. ${await howToBeAllowed(path, system)}`;
    default:
      return failureSentence(path, message);
  }
}

function failureSentence(path: string, message: string): string {
  if (/baud rate of \d+ is not supported/i.test(message)) {
    return `${path} cannot do this bit rate. Choose another, for instance 115200.`;
  }
  if (/inappropriate ioctl|is a directory|\b(?:ENOTTY|EISDIR)\b/i.test(message)) {
    return `${path} is not a serial port. Give the path of a serial port.`;
  }
  return `${path} could not be opened: ${message}`;
}

/** A sentence about the ports that are there. */
export async function whatIsThere(system: Pick<SerialSystem, "list">): Promise<string> {
  const ports = await system.list().catch(() => undefined);
  if (ports === undefined) return "Check the path.";
  if (ports.length === 0) return "No serial port is there: is the board plugged in?";
  return `What is there: ${ports.map(describePort).join(", ")}.`;
}

function describePort({ path, product, manufacturer, serialNumber }: SerialPortInfo): string {
  const facts = [
    product ?? manufacturer ?? "",
    serialNumber === undefined ? "" : `serial number ${serialNumber}`,
  ].filter((fact) => fact !== "");
  return facts.length === 0 ? path : `${path} (${facts.join(", ")})`;
}

async function howToBeAllowed(
  path: string,
  system: Pick<SerialSystem, "groupOf">,
): Promise<string> {
  const group = await system.groupOf(path).catch(() => undefined);
  if (group?.suffices !== true) return "Ask who runs this computer to allow it.";
  const { name } = group;
  return `It belongs to the group ${name}: add your user to ${name} (sudo usermod -aG ${name} "$USER"), then log in again.`;
}
