/** Names of devices on Windows, with or without an extension, in any case. */
const RESERVED = /^(?:con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])(?:\.|$)/i;

/** Control characters, those that cannot be seen or turn the direction of writing, halves of pairs. */
const UNSEEN = /[\p{Cc}\p{Cf}\p{Co}\p{Cs}\p{Zl}\p{Zp}\p{Cn}]/gu;

/** What Windows forbids in a name, and what separates the parts of a path anywhere. */
const FORBIDDEN = /[<>:"/\\|?*]/g;

/** Room that is left for what a clash puts behind a name, bytes: file systems take 255. */
const SAFE_NAME_BYTES_MAX = 240;
const EXTENSION_BYTES_MAX = 20;
const NAMELESS = "unnamed";

const encoder = new TextEncoder();

/**
 * A name from elsewhere as the name of one file, on any operating system: the last part of a path,
 * no hidden file, no device, at most 240 bytes of UTF-8.
 *
 * @returns always a name; a name that is safe already comes back as it is
 */
export function safeName(name: string): string {
  const last =
    name
      .split(/[/\\]/)
      .filter((part) => !/^[.\s]*$/.test(part))
      .at(-1) ?? "";
  const plain = trim(last.normalize("NFC").replace(UNSEEN, "").replace(FORBIDDEN, "_"));
  const short = shorten(plain);
  if (short === "") return NAMELESS;
  // A leading hyphen would be taken for an option by many a program.
  return RESERVED.test(short) || short.startsWith("-") ? shorten(`_${short}`) : short;
}

/** Windows drops dots and spaces at the end; dots at the start hide a file elsewhere. */
function trim(name: string): string {
  return name.replace(/^[.\s]+|[.\s]+$/gu, "");
}

function shorten(name: string): string {
  if (byteLength(name) <= SAFE_NAME_BYTES_MAX) return name;
  const { stem, extension } = splitName(name);
  return trim(cut(stem, SAFE_NAME_BYTES_MAX - byteLength(extension))) + extension;
}

/** An extension is short and has a stem before it. */
export function splitName(name: string): { readonly stem: string; readonly extension: string } {
  const dot = name.lastIndexOf(".");
  const extension = dot > 0 ? name.slice(dot) : "";
  if (extension === "" || byteLength(extension) > EXTENSION_BYTES_MAX) {
    return { stem: name, extension: "" };
  }
  return { stem: name.slice(0, dot), extension };
}

/** Whole characters from the start, as many as fit. */
function cut(text: string, bytesMax: number): string {
  let bytes = 0;
  let end = 0;
  for (const character of text) {
    bytes += byteLength(character);
    if (bytes > bytesMax) break;
    end += character.length;
  }
  return text.slice(0, end);
}

function byteLength(text: string): number {
  return encoder.encode(text).length;
}
