import type { Size } from "../picture/surface.js";

/** Hands a file to the person, as a download. */
export function offerFile(name: string, content: Blob): void {
  const url = URL.createObjectURL(content);
  const link = document.createElement("a");
  link.href = url;
  link.download = name;
  link.click();
  // The browser has begun to read it by then, however slow it is.
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

/** Draws an SVG file into a PNG file, twice as fine. @throws Error - the browser could not draw it */
export async function svgToPng(svg: string, { width, height }: Size): Promise<Blob> {
  const image = new Image();
  image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}`;
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = width * 2;
  canvas.height = height * 2;
  const context = canvas.getContext("2d");
  context?.drawImage(image, 0, 0, canvas.width, canvas.height);
  const blob = await new Promise<Blob | null>((resolve) => canvas.toBlob(resolve, "image/png"));
  if (blob === null) throw new Error("the browser gave no picture");
  return blob;
}
