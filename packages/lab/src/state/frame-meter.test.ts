import { beforeEach, describe, expect, it } from "vitest";
import { frameFigures, noteDrawing, noteFrame, resetFrameMeter } from "./frame-meter.js";

beforeEach(resetFrameMeter);

describe("the frame meter", () => {
  it("knows nothing before the first frame", () => {
    expect(frameFigures()).toMatchObject({ frames: 0, perSecond: 0 });
  });

  it("tells the rate and the slow ones", () => {
    for (let frame = 0; frame < 99; frame++) noteFrame(10);
    noteFrame(110);
    noteDrawing(3);
    const figures = frameFigures();
    expect(figures.perSecond).toBeCloseTo(1_000 / 11);
    expect(figures.betweenMs).toMatchObject({ median: 10, p95: 10, max: 110 });
    expect(figures.drawingMs.median).toBe(3);
  });

  it("forgets what is long ago", () => {
    noteFrame(5_000);
    for (let frame = 0; frame < 400; frame++) noteFrame(16);
    expect(frameFigures().betweenMs.max).toBe(16);
    expect(frameFigures().frames).toBe(401);
  });
});
