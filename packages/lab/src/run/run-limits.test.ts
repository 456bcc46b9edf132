import { describe, expect, it } from "vitest";
import { ascends, expectTableInOrder, expectTransferTrue } from "./check-record.js";
import { DEFAULT_SETTINGS } from "./defaults.js";
import { LabError } from "./lab-error.js";
import { runLab } from "./run-lab.js";
import type { LabSettings } from "./settings.js";

describe("the limits of a run", () => {
  it("cut it after an hour on air, and keep what happened", async () => {
    const record = await runLab({
      ...DEFAULT_SETTINGS,
      preset: "bleAtt",
      datagramBytes: 20,
      rateKbps: 1,
      load: { ...DEFAULT_SETTINGS.load, bytes: 600_000 },
    });
    expect(record.outcome).toBe("cut");
    expect(record.ending).toContain("60 minutes");
    expect(record.endUs).toBeGreaterThan(3_590_000_000);
    expect(record.endUs).toBeLessThan(3_610_000_000);
    expect(record.datagrams.count).toBeGreaterThan(1_000);
    expectTableInOrder(record);
  }, 60_000);

  it("cut it when a record can hold no more datagrams", async () => {
    const load = { ...DEFAULT_SETTINGS.load, bytes: 1_000_000 };
    const settings = { ...DEFAULT_SETTINGS, preset: "ideal", boards: 2, load } as const;
    const record = await runLab(settings, { datagramsMax: 2_000 });
    const { count } = record.datagrams;
    expect(record.outcome).toBe("cut");
    expect(count).toBeGreaterThanOrEqual(2_000);
    expect(count).toBeLessThan(4_000);
    expect(record.ending).toContain(`after ${String(count).replace(/(?=...$)/, ",")} datagrams`);
    expect(record.ending).toContain("0 of 2 blobs had arrived");
    expect(record.transfers[0]!.outcome).toBe("under way");
    expectTableInOrder(record);
    for (const transfer of record.transfers) expectTransferTrue(record, transfer);
  });

  it("cut it when a record can hold no more bytes", async () => {
    const load = { ...DEFAULT_SETTINGS.load, bytes: 4 * 1024 * 1024 };
    const settings = {
      ...DEFAULT_SETTINGS,
      preset: "ideal",
      loss: 0,
      datagramBytes: 1_500,
    } as const;
    const record = await runLab({ ...settings, boards: 40, window: 255, load });
    expect(record.outcome).toBe("cut");
    expect(record.datagrams.bytes.length).toBeGreaterThanOrEqual(128 * 1024 * 1024);
    expect(record.datagrams.bytes.length).toBeLessThan(130 * 1024 * 1024);
  }, 120_000);

  it("do not hold up whoever wants to stop it", async () => {
    let asked = 0;
    const shares: number[] = [];
    const running = runLab(
      { ...DEFAULT_SETTINGS, boards: 20, load: { ...DEFAULT_SETTINGS.load, bytes: 300_000 } },
      { shouldStop: () => ++asked === 5, onProgress: (share) => shares.push(share) },
    );
    await expect(running).rejects.toMatchObject({ name: "LabError", code: "stopped" });
    expect(shares).toHaveLength(4);
    expect(ascends(shares)).toBe(true);
  });

  it("refuse settings that are out of range, and a file that is not there", async () => {
    const refusal = async (settings: LabSettings) => {
      const error = await runLab(settings).catch((thrown: unknown) => thrown);
      expect(error).toBeInstanceOf(LabError);
      return (error as LabError).message;
    };
    expect(await refusal({ ...DEFAULT_SETTINGS, boards: 51 })).toBe(
      "The number of boards must be a whole number from 1 to 50, not 51.",
    );
    expect(await refusal({ ...DEFAULT_SETTINGS, rateKbps: 0.5 })).toBe(
      "The rate in kbit/s must be a number 0, or from 1 to 100000, not 0.5.",
    );
    expect(await refusal({ ...DEFAULT_SETTINGS, outagesS: [[2, 1]] })).toContain("2 to 1");
    const load = { ...DEFAULT_SETTINGS.load, source: "file" } as const;
    expect(await refusal({ ...DEFAULT_SETTINGS, load })).toContain("Choose a file");
  });

  it("take a file as it is, whatever the setting says of its size", async () => {
    const load = { ...DEFAULT_SETTINGS.load, source: "file", bytes: 5 } as const;
    const record = await runLab({ ...DEFAULT_SETTINGS, load }, { file: new Uint8Array(1_234) });
    expect(record.transfers[0]).toMatchObject({ bytes: 1_234, outcome: "delivered" });
    const tooLarge = runLab(
      { ...DEFAULT_SETTINGS, load },
      { file: new Uint8Array(4 * 1024 * 1024 + 1) },
    );
    await expect(tooLarge).rejects.toMatchObject({ code: "bad-settings" });
  });
});
