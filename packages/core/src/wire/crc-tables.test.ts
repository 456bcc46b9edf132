import { crc16ccitt, crc16kermit, crc16xmodem } from "crc";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { buildCrcTables, type CrcShape } from "./crc-tables.js";

interface CrcModel extends CrcShape {
  readonly name: string;
  readonly start: number;
  readonly inversion: number;
  /** CRC of the ASCII bytes `123456789`. */
  readonly check: number;
}

const CCITT = { width: 16, polynomial: 0x1021 };
const CASTAGNOLI = { width: 32, polynomial: 0x1edc6f41, reflected: true };

// Published in the catalogue of parametrised CRC algorithms; the first six recomputed bit by bit.
const MODELS: CrcModel[] = [
  {
    name: "CRC-16/IBM-3740",
    ...CCITT,
    reflected: false,
    start: 0xffff,
    inversion: 0,
    check: 0x29b1,
  },
  { name: "CRC-16/XMODEM", ...CCITT, reflected: false, start: 0, inversion: 0, check: 0x31c3 },
  { name: "CRC-16/KERMIT", ...CCITT, reflected: true, start: 0, inversion: 0, check: 0x2189 },
  {
    name: "CRC-16/IBM-SDLC",
    ...CCITT,
    reflected: true,
    start: 0xffff,
    inversion: 0xffff,
    check: 0x906e,
  },
  {
    name: "CRC-16/GENIBUS",
    ...CCITT,
    reflected: false,
    start: 0xffff,
    inversion: 0xffff,
    check: 0xd64e,
  },
  {
    name: "CRC-16/SPI-FUJITSU",
    ...CCITT,
    reflected: false,
    start: 0x1d0f,
    inversion: 0,
    check: 0xe5cc,
  },
  { name: "CRC-16/MCRF4XX", ...CCITT, reflected: true, start: 0xffff, inversion: 0, check: 0x6f91 },
  {
    name: "CRC-32/ISO-HDLC",
    width: 32,
    polynomial: 0x04c11db7,
    reflected: true,
    start: 0xffffffff,
    inversion: 0xffffffff,
    check: 0xcbf43926,
  },
  {
    name: "CRC-32C",
    ...CASTAGNOLI,
    start: 0xffffffff,
    inversion: 0xffffffff,
    check: 0xe3069283,
  },
];

const CHECK_BYTES = new TextEncoder().encode("123456789");

/** Byte by byte with the first table. */
function crcByTable(model: CrcModel, bytes: Uint8Array): number {
  const tables = buildCrcTables(model, 1);
  let register = model.start;
  for (const byte of bytes) {
    register = model.reflected
      ? (register >>> 8) ^ tables[(register ^ byte) & 0xff]!
      : (register << 8) ^ tables[((register >>> (model.width - 8)) ^ byte) & 0xff]!;
    if (model.width < 32) register &= 0xffff;
  }
  return (register ^ model.inversion) >>> 0;
}

/** Bit by bit, from the definition: nothing in common with the tables. */
function crcByBit(model: CrcModel, bytes: Uint8Array): number {
  const top = 1n << BigInt(model.width - 1);
  const mask = (top << 1n) - 1n;
  let register = mirror(BigInt(model.start), model);
  for (const byte of bytes) {
    for (let bit = 0; bit < 8; bit++) {
      const shift = model.reflected ? bit : 7 - bit;
      const carry = ((register & top) !== 0n) !== (((byte >> shift) & 1) === 1);
      register = (register << 1n) & mask;
      if (carry) register ^= BigInt(model.polynomial);
    }
  }
  return Number(mirror(register, model) ^ BigInt(model.inversion));
}

function mirror(value: bigint, model: CrcModel): bigint {
  if (!model.reflected) return value;
  return BigInt(`0b${[...value.toString(2).padStart(model.width, "0")].reverse().join("")}`);
}

describe("CRC tables", () => {
  it.each(MODELS)("give the published check value of $name", (model) => {
    expect(crcByTable(model, CHECK_BYTES)).toBe(model.check);
    expect(crcByBit(model, CHECK_BYTES)).toBe(model.check);
  });

  it.each(MODELS)("agree bit by bit with $name on any bytes", (model) => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 40 }), (bytes) => {
        expect(crcByTable(model, bytes)).toBe(crcByBit(model, bytes));
      }),
    );
  });

  it("agree with another implementation of the CRC-16 family", () => {
    const [ibm3740, xmodem, kermit] = MODELS;
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
        expect(crcByTable(ibm3740!, bytes)).toBe(crc16ccitt(Buffer.from(bytes)));
        expect(crcByTable(xmodem!, bytes)).toBe(crc16xmodem(Buffer.from(bytes)));
        expect(crcByTable(kermit!, bytes)).toBe(crc16kermit(Buffer.from(bytes)));
      }),
    );
  });

  it("give the CRC-32C examples of RFC 3720, section B.4", () => {
    const castagnoli = MODELS.find((model) => model.name === "CRC-32C")!;
    expect(crcByTable(castagnoli, new Uint8Array(32))).toBe(0x8a9136aa);
    expect(crcByTable(castagnoli, new Uint8Array(32).fill(0xff))).toBe(0x62a8ab43);
    expect(
      crcByTable(
        castagnoli,
        Uint8Array.from({ length: 32 }, (_, i) => i),
      ),
    ).toBe(0x46dd794e);
  });

  it.each(MODELS)("with many slices move $name on past that many bytes", (model) => {
    const tables = buildCrcTables(model, 8);
    const still = { ...model, start: 0, inversion: 0 };
    for (let slice = 0; slice < 8; slice++) {
      for (let byte = 0; byte < 256; byte++) {
        const bytes = Uint8Array.from({ length: slice + 1 }, (_, i) => (i === 0 ? byte : 0));
        expect(tables[256 * slice + byte]).toBe(crcByBit(still, bytes));
      }
    }
  });

  // RFC 1662, section C.2: first and last row of the table there (from memory).
  it("hold the FCS table of RFC 1662", () => {
    const table = buildCrcTables({ ...CCITT, reflected: true }, 1);
    expect([...table.subarray(0, 8)]).toEqual([
      0x0000, 0x1189, 0x2312, 0x329b, 0x4624, 0x57ad, 0x6536, 0x74bf,
    ]);
    expect([...table.subarray(248)]).toEqual([
      0x7bc7, 0x6a4e, 0x58d5, 0x495c, 0x3de3, 0x2c6a, 0x1ef1, 0x0f78,
    ]);
  });
});
