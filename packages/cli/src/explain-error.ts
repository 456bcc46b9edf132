import { FardelError } from "@fardel/core";
import { LabServerError, type LabServerErrorCode } from "@fardel/lab/node";
import { LossyLinkError } from "@fardel/lossy-link";
import { ValueError } from "@fardel/msgpack";
import { PairingError, StoreError, type StoreErrorCode } from "@fardel/pairing";
import { SerialBridgeError } from "@fardel/serial-bridge";
import { UdpLinkError } from "@fardel/udp-link";
import { CommanderError } from "commander";
import { EXIT, type ExitCode, interrupted, Problem } from "./problem.js";

/** Whatever a command threw, as a problem. What nobody foresaw has the code `internal`. */
export function problemOf(error: unknown, signal: AbortSignal): Problem {
  if (error instanceof Problem) return error;
  if (error instanceof CommanderError) return usageOf(error);
  if (signal.aborted && isAbort(error)) return interrupted();
  if (error instanceof FardelError)
    return new Problem(exitOfFardel(error), error.code, error.message, { cause: error });
  if (error instanceof SerialBridgeError || error instanceof UdpLinkError) {
    return new Problem(exitOfLink(error.code), error.code, error.message, { cause: error });
  }
  if (error instanceof StoreError)
    return new Problem(exitOfStore(error.code), error.code, error.message, { cause: error });
  if (error instanceof LabServerError) {
    return new Problem(exitOfLab(error.code), error.code, error.message, { cause: error });
  }
  if (error instanceof PairingError) {
    const exit = error.code === "invalid-option" ? EXIT.usage : EXIT.failed;
    return new Problem(exit, error.code, error.message, { cause: error });
  }
  if (error instanceof LossyLinkError || error instanceof ValueError) {
    return new Problem(EXIT.usage, error.code, error.message, { cause: error });
  }
  return internal(error);
}

function exitOfFardel(error: FardelError): ExitCode {
  if (error.code === "invalid-option") return EXIT.usage;
  return error.code === "link-failed" ? EXIT.link : EXIT.failed;
}

function exitOfStore(code: StoreErrorCode): ExitCode {
  const isOfStore = ["store-damaged", "store-unreadable", "store-unwritable", "store-busy"];
  return isOfStore.includes(code) ? EXIT.failed : EXIT.usage;
}

function exitOfLink(code: string): ExitCode {
  return code === "invalid-option" || code === "bad-address" ? EXIT.usage : EXIT.link;
}

function exitOfLab(code: LabServerErrorCode): ExitCode {
  if (code === "invalid-option") return EXIT.usage;
  return code === "page-missing" ? EXIT.failed : EXIT.link;
}

function isAbort(error: unknown): boolean {
  if (!(error instanceof Error)) return false;
  return error.name === "AbortError" || ("code" in error && error.code === "aborted");
}

/** `error: unknown option '--lnik'\n(Did you mean --link?)` */
function usageOf(error: CommanderError): Problem {
  const text = error.message
    .replace(/^error: /, "")
    .replace(/\s+/g, " ")
    .trim();
  const sentence = text.charAt(0).toUpperCase() + text.slice(1);
  const end = /[.?)]$/.test(sentence) ? "" : ".";
  return new Problem(EXIT.usage, "usage", `${sentence}${end}`, { cause: error });
}

function internal(error: unknown): Problem {
  const what = error instanceof Error ? error.message : String(error);
  return new Problem(
    EXIT.failed,
    "internal",
    `This should not have happened: ${what}. Run it again with FARDEL_DEBUG=1 and report what it prints.`,
    { cause: error },
  );
}

/** A file that could not be read or written, by the code of the operating system. */
export function fileProblem(path: string, error: unknown): Problem {
  const code = error instanceof Error && "code" in error ? String(error.code) : "unknown";
  const [exitCode, sentence] = FILE_FAULTS[code] ?? [
    EXIT.failed,
    (shown: string) => `${shown} cannot be used: the system says ${code}.`,
  ];
  return new Problem(exitCode, "file", sentence(path), { cause: error, details: { path } });
}

type FileFault = readonly [exitCode: ExitCode, sentence: (path: string) => string];

const FILE_FAULTS: Readonly<Record<string, FileFault>> = {
  ENOENT: [EXIT.usage, (path) => `${path} does not exist. Check the spelling.`],
  ENOTDIR: [EXIT.usage, (path) => `${path} is not a folder, or lies in something that is none.`],
  EISDIR: [EXIT.usage, (path) => `${path} is a folder. Name a file.`],
  EACCES: [EXIT.usage, (path) => `${path} may not be used by this account. Check its permissions.`],
  EPERM: [EXIT.usage, (path) => `${path} may not be used by this account. Check its permissions.`],
  EROFS: [EXIT.failed, (path) => `${path} lies on a disk that cannot be written. Choose another.`],
  ENOSPC: [EXIT.failed, (path) => `The disk is full: ${path} was not written. Make room.`],
  EDQUOT: [EXIT.failed, (path) => `Your share of the disk is used up: ${path} was not written.`],
  EMFILE: [EXIT.failed, (path) => `${path}: too many files are open. Raise the limit (ulimit -n).`],
};
