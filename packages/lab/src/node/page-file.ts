import { createHash } from "node:crypto";
import { readFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { LabServerError } from "./lab-server-error.js";

/** The page as it is served. */
export interface PageFile {
  readonly html: Buffer;
  /** What it may do and load: Content-Security-Policy, level 3 of the W3C. */
  readonly policy: string;
}

/**
 * Reads the page that `vite build` has put together.
 * @throws {@link LabServerError} `page-missing`
 */
export async function readPage(file: URL): Promise<PageFile> {
  let html: string;
  try {
    html = await readFile(file, "utf8");
  } catch (cause) {
    const sentence = `The page ${fileURLToPath(file)} cannot be read. Build it: npm run build.`;
    throw new LabServerError("page-missing", sentence, cause);
  }
  const marked = html.replace(/<head\b[^>]*>/, (head) => `${head}${MARK}`);
  return { html: Buffer.from(marked), policy: policyFor(marked) };
}

/** Tells the page that a gateway serves it. */
const MARK = '<meta name="fardel-live" content="1">';

/**
 * Nothing but what is in the file itself: its scripts by their digests, so that no text that a peer
 * chose can become one. Styles may be set by the charts; their worker is made of a blob.
 */
export function policyFor(html: string): string {
  const scripts = [...html.matchAll(/<script\b[^>]*>([\s\S]*?)<\/script>/g)];
  const digests = scripts.map(([, text = ""]) => {
    return `'sha256-${createHash("sha256").update(text).digest("base64")}'`;
  });
  return [
    "default-src 'none'",
    `script-src ${digests.length > 0 ? digests.join(" ") : "'none'"}`,
    "worker-src blob: data:",
    "style-src 'unsafe-inline'",
    "img-src 'self' data: blob:",
    "font-src data:",
    "connect-src 'self'",
    "base-uri 'none'",
    "form-action 'none'",
    "frame-ancestors 'none'",
  ].join("; ");
}
