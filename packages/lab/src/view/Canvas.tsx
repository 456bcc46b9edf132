import { effect, useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type { Size } from "../picture/surface.js";

/** Sharp enough; more would only cost time. */
const RATIO_MAX = 2;

export interface CanvasProps {
  /** What it shows, in words; hidden from screen readers when left out (a layer of another one). */
  readonly label?: string;
  /** Pixels; or what it needs at a width. Keep a function the same from render to render. */
  readonly height: number | ((width: number) => number);
  /**
   * Draws the picture anew. Runs whenever a signal that it read has changed. Keep it the same from
   * one render to the next (`useCallback`), or it is drawn more often than it need be.
   */
  readonly draw: (context: CanvasRenderingContext2D, size: Size) => void;
  readonly className?: string;
  readonly onPointerDown?: (event: PointerEvent) => void;
  readonly onPointerMove?: (event: PointerEvent) => void;
  readonly onPointerUp?: (event: PointerEvent) => void;
}

/** A canvas as wide as its place that draws itself anew when what it shows changes. */
export function Canvas({ label, height, draw, className, ...pointer }: CanvasProps) {
  const element = useRef<HTMLCanvasElement>(null);
  const width = useSignal(0);

  useEffect(() => {
    const canvas = element.current;
    if (canvas === null) return;
    const observer = new ResizeObserver(() => {
      width.value = canvas.clientWidth;
    });
    observer.observe(canvas);
    width.value = canvas.clientWidth;
    return () => observer.disconnect();
  }, []);

  useEffect(
    () =>
      effect(() => {
        const canvas = element.current;
        if (canvas === null || width.value === 0) return;
        const size = { width: width.value, height: heightAt(height, width.value) };
        const context = fitted(canvas, size);
        if (context !== undefined) draw(context, size);
      }),
    [draw, height],
  );

  return (
    <canvas
      ref={element}
      class={className}
      style={{ height: `${heightAt(height, width.value)}px` }}
      {...(label === undefined ? { "aria-hidden": true } : { role: "img", "aria-label": label })}
      {...pointer}
    />
  );
}

function heightAt(height: CanvasProps["height"], width: number): number {
  return typeof height === "number" ? height : height(width);
}

/** Sizes the canvas to the pixels of the screen. */
function fitted(
  canvas: HTMLCanvasElement,
  { width, height }: Size,
): CanvasRenderingContext2D | undefined {
  const ratio = Math.min(devicePixelRatio, RATIO_MAX);
  const pixels = { width: Math.round(width * ratio), height: Math.round(height * ratio) };
  if (canvas.width !== pixels.width || canvas.height !== pixels.height) {
    canvas.width = pixels.width;
    canvas.height = pixels.height;
  }
  const context = canvas.getContext("2d");
  if (context === null) return undefined;
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.clearRect(0, 0, width, height);
  return context;
}
