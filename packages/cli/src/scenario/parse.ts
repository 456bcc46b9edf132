import type { z } from "zod";
import { printable } from "../output.js";
import { EXIT, Problem } from "../problem.js";
import { type Case, casesOf, countCases } from "./cases.js";
import * as limits from "./limits.js";
import { nearestName } from "./nearest.js";
import { type ScenarioFields, scenarioSchema } from "./schema.js";
import { type FieldPath, placeOf, readSource, type Source } from "./source.js";

/** What is to be simulated. */
export interface Scenario {
  readonly title: string;
  /** At least one. */
  readonly cases: readonly Case[];
}

/** One thing that is wrong, at a field; `key`: with its name, not with its value. */
interface FieldFault {
  readonly path: FieldPath;
  readonly key?: boolean;
  readonly sentence: string;
}

/**
 * Reads a scenario.
 * @param name - of the file, for the sentences
 * @param text - JSON; comments and trailing commas are allowed
 * @throws Problem `bad-scenario` - lists everything that is wrong, each with line, column and field
 */
export function parseScenario(name: string, text: string): Scenario {
  const source = readSource(text);
  if (source.faults.length > 0) throw problemOf(name, text, source.faults);
  const parsed = scenarioSchema.safeParse(source.value);
  const faults = parsed.success
    ? contradictions(parsed.data)
    : parsed.error.issues.flatMap(faultsOf);
  if (faults.length > 0 || !parsed.success) throw problemOf(name, text, placed(source, faults));
  return { title: parsed.data.title, cases: casesOf(parsed.data) };
}

function placed(source: Source, faults: readonly FieldFault[]) {
  return faults.map(({ path, key, sentence }) => ({ ...source.locate(path, key), sentence }));
}

function problemOf(name: string, text: string, found: Source["faults"]): Problem {
  const sorted = [...found].sort((one, other) => one.offset - other.offset);
  const faults = sorted.slice(0, limits.FAULTS_MAX).map(({ offset, field, sentence }) => {
    return { ...placeOf(text, offset), field, message: sentence };
  });
  const lines = faults.map(({ line, column, field, message }) => {
    return printable(`  ${name}:${line}:${column}: ${field === "" ? "" : `${field}: `}${message}`);
  });
  if (sorted.length > faults.length) lines.push(`  … and ${sorted.length - faults.length} more`);
  const count = sorted.length === 1 ? "one fault" : `${sorted.length} faults`;
  const sentence = `The scenario ${printable(name)} has ${count}:\n${lines.join("\n")}`;
  return new Problem(EXIT.usage, "bad-scenario", sentence, { details: { faults } });
}

function faultsOf(issue: z.core.$ZodIssue): FieldFault[] {
  const path = issue.path.map((step) => (typeof step === "symbol" ? String(step) : step));
  if (issue.code !== "unrecognized_keys") return [{ path, sentence: issue.message }];
  const known = knownFields(path);
  return issue.keys.map((name) => {
    const meant = nearestName(name, known);
    const hint = meant === undefined ? `Known are ${known.join(", ")}.` : `Did you mean ${meant}?`;
    return { path: [...path, name], key: true, sentence: `There is no such field. ${hint}` };
  });
}

/** Names of the fields of the object at a path: of the scenario, its link, or a message. */
function knownFields(path: FieldPath): string[] {
  const { shape } = scenarioSchema;
  if (path[0] === "link") return Object.keys(shape.link.unwrap().shape);
  if (path[0] === "messages") return Object.keys(shape.messages.element.shape);
  return Object.keys(shape);
}

/** What is wrong between fields that are each in order. */
function contradictions(fields: ScenarioFields): FieldFault[] {
  const faults = [...lossFaults(fields), ...messageFaults(fields), ...volumeFaults(fields)];
  const count = countCases(fields);
  if (count > limits.CASES_MAX) {
    const sentence = `The lists make ${counted(count)} combinations, but at most ${counted(limits.CASES_MAX)} are run. Shorten a list.`;
    faults.push({ path: [], sentence });
  }
  return faults;
}

function lossFaults({ link }: ScenarioFields): FieldFault[] {
  const faults: FieldFault[] = [];
  const loss = Math.max(...link.loss);
  if (Math.max(...link.burst) > 1 && Math.max(...link.burstMs) > 0) {
    const sentence =
      "Bursts are counted in datagrams (burst) or in time (burstMs), not both. Take one out.";
    faults.push({ path: ["link", "burstMs"], key: true, sentence });
  }
  if (loss === 1 && Math.max(...link.burstMs) > 0) {
    const sentence = "Where everything is lost there are no bursts. Lower the loss.";
    faults.push({ path: ["link", "burstMs"], key: true, sentence });
  }
  for (const [index, burst] of link.burst.entries()) {
    const most = burst / (burst + 1);
    if (burst > 1 && loss > most) {
      const sentence = `Bursts of ${burst} datagrams with at least one that passes between two of them lose at most ${most.toFixed(3)}, but loss is ${loss}. Lower the loss or make the bursts longer.`;
      faults.push({ path: ["link", "burst", index], sentence });
    }
  }
  return faults;
}

function messageFaults({ messages }: ScenarioFields): FieldFault[] {
  return messages.flatMap((message, entry) => {
    const faults: FieldFault[] = [];
    const path = ["messages", entry];
    const channels = message.way === "ordered" ? 6 : 4;
    if (message.channel !== undefined && message.channel >= channels) {
      const sentence = `It is ${message.channel}, but ${message.way} messages have channels 0 to ${channels - 1}.`;
      faults.push({ path: [...path, "channel"], sentence });
    }
    const lastS = message.atS + message.spreadS + message.everyS * (message.count - 1);
    if (lastS > limits.TIME_S_MAX) {
      const sentence = `The last of the messages would be sent after ${counted(Math.ceil(lastS))} s; a run lasts at most ${counted(limits.TIME_S_MAX)} s. Lower count or everyS.`;
      faults.push({ path, sentence });
    }
    return faults;
  });
}

function volumeFaults({ boards, messages }: ScenarioFields): FieldFault[] {
  const most = Math.max(...boards);
  const count = most * messages.reduce((sum, message) => sum + message.count, 0);
  const bytes =
    most * messages.reduce((sum, message) => sum + message.count * Math.max(...message.bytes), 0);
  const faults: FieldFault[] = [];
  if (count > limits.RUN_MESSAGES_MAX) {
    const sentence = `One run would send ${counted(count)} messages; at most ${counted(limits.RUN_MESSAGES_MAX)} are allowed. Lower count or boards.`;
    faults.push({ path: ["messages"], sentence });
  }
  if (bytes > limits.RUN_BYTES_MAX) {
    const sentence = `One run would send ${counted(bytes)} bytes; at most ${counted(limits.RUN_BYTES_MAX)} are allowed. Lower bytes, count or boards.`;
    faults.push({ path: ["messages"], sentence });
  }
  return faults;
}

function counted(value: number): string {
  return String(value).replace(/\B(?=(?:\d{3})+$)/g, ",");
}
