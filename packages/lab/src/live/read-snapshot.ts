import { type LiveSnapshot, SNAPSHOT_VERSION } from "./snapshot.js";

/** A snapshot from its JSON; what is none, or of another version, is told apart. */
export function readSnapshot(json: string): LiveSnapshot | "other-version" | "unreadable" {
  let value: unknown;
  try {
    value = JSON.parse(json);
  } catch {
    return "unreadable";
  }
  if (typeof value !== "object" || value === null || !("version" in value)) return "unreadable";
  if (value.version !== SNAPSHOT_VERSION) return "other-version";
  return isSnapshot(value) ? value : "unreadable";
}

/** A gateway that has served this page is trusted to fill the parts as their types say. */
function isSnapshot(value: object): value is LiveSnapshot {
  const parts = new Map<string, unknown>(Object.entries(value));
  const isList = (name: string) => Array.isArray(parts.get(name));
  const isObject = (name: string) =>
    typeof parts.get(name) === "object" && parts.get(name) !== null;
  return LISTS.every(isList) && OBJECTS.every(isObject);
}

const LISTS = ["peers", "transfers", "events", "curve"];
const OBJECTS = ["link", "totals"];
