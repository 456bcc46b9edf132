import { describe, expect, it } from "vitest";
import { portError } from "./port-error.js";
import type { DeviceGroup, SerialPortInfo } from "./serial-system.js";

/** What an owner of a port is told when the operating system says `message`. */
async function told(
  message: string,
  system: { ports?: SerialPortInfo[] | "unknown"; group?: DeviceGroup } = {},
): Promise<string> {
  const cause = new Error(message);
  const error = await portError("/dev/ttyUSB7", cause, {
    list: async () => {
      if (system.ports === "unknown") throw new Error("no list");
      return system.ports ?? [];
    },
    groupOf: async () => system.group,
  });
  expect(error.cause).toBe(cause);
  return `${error.code}: ${error.message}`;
}

describe("a port that is not there", () => {
  const message = "Error: No such file or directory, cannot open /dev/ttyUSB7";

  it("names those that are", async () => {
    const ports = [
      { path: "/dev/ttyACM0", product: "Row station", serialNumber: "A0B1" },
      { path: "/dev/ttyUSB1", manufacturer: "Maker" },
      { path: "/dev/ttyS0" },
    ];
    expect(await told(message, { ports })).toBe(
      "port-not-found: There is no port /dev/ttyUSB7. What is there: " +
        "/dev/ttyACM0 (Row station, serial number A0B1), /dev/ttyUSB1 (Maker), /dev/ttyS0.",
    );
  });

  it("says so when there is none, and when nobody can tell", async () => {
    expect(await told(message)).toMatch(/No serial port is there: is the board plugged in\?$/);
    expect(await told(message, { ports: "unknown" })).toMatch(/Check the path\.$/);
  });

  it.each([
    "Error: No such device or address, cannot open /dev/ttyS3",
    "Error: No such device, cannot open /dev/ttyUSB7",
    "Opening COM9: File not found",
    "ENOENT: something",
  ])("is known by: %s", async (words) => {
    expect(await told(words)).toMatch(/^port-not-found: /);
  });
});

describe("a port that another program has", () => {
  it.each([
    "Error Resource temporarily unavailable Cannot lock port",
    "Error: Device or resource busy, cannot open /dev/ttyUSB7",
    "Opening COM3: Access denied",
  ])("is known by: %s", async (words) => {
    expect(await told(words)).toBe(
      "port-busy: Another program has /dev/ttyUSB7 open. End it, then try again: two would steal each other's bytes.",
    );
  });
});

describe("a port that is not allowed", () => {
  const message = "Error: Permission denied, cannot open /dev/ttyUSB7";

  it("names the group to join", async () => {
    expect(await told(message, { group: { name: "dialout", suffices: true } })).toBe(
      "port-forbidden: You may not open /dev/ttyUSB7. It belongs to the group dialout: add your user " +
        'to dialout (sudo usermod -aG dialout "$USER"), then log in again.',
    );
  });

  it("names no group that would not help, or that nobody knows", async () => {
    const plain =
      "port-forbidden: You may not open /dev/ttyUSB7. Ask who runs this computer to allow it.";
    expect(await told(message, { group: { name: "root", suffices: false } })).toBe(plain);
    expect(await told(message)).toBe(plain);
    expect(await told("EPERM: operation not permitted")).toBe(plain);
  });
});

describe("a port that fails otherwise", () => {
  it("is no serial port", async () => {
    const sentence =
      "port-failed: /dev/ttyUSB7 is not a serial port. Give the path of a serial port.";
    const words = "Error: Inappropriate ioctl for device setting custom baud rate of 115200";
    expect(await told(words)).toBe(sentence);
    expect(await told("Error: Is a directory, cannot open /tmp")).toBe(sentence);
  });

  it("cannot do the bit rate", async () => {
    expect(await told("Error baud rate of 12345 is not supported on your platform")).toBe(
      "port-failed: /dev/ttyUSB7 cannot do this bit rate. Choose another, for instance 115200.",
    );
  });

  it("says what the operating system said", async () => {
    expect(await told("the moon is full")).toBe(
      "port-failed: /dev/ttyUSB7 could not be opened: the moon is full",
    );
  });
});
