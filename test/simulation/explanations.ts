import type { FardelErrorCode } from "@fardel/core";
import type { Feature } from "./features.js";
import { BrokenPromise, type Ending, type Sent } from "./oracle.js";
import type { Scenario, SendPlan } from "./scenario.js";
import { isRequestFailed } from "./station.js";

/** What can end a session in a run. */
const SESSION_BREAKERS: readonly Feature[] = [
  "restarts",
  "outages",
  "radioRestarts",
  "closes",
  "impatience",
];

/** Whether a session may end before its endpoint is closed. */
export function mayLoseSessions(features: ReadonlySet<Feature>): boolean {
  return SESSION_BREAKERS.some((feature) => features.has(feature));
}

/**
 * Every message that nothing in its run keeps from arriving must arrive: a failure needs a reason
 * that the run was given.
 */
export function checkEnd(scenario: Scenario, plan: SendPlan, sent: Sent, end: Ending): void {
  const isFailedRequest = sent.kind === "request" && isRequestFailed(sent.id);
  if (end.outcome === "replied" && isFailedRequest)
    throw new BrokenPromise(`Request ${sent.id} was answered, but its answer was a failure.`);
  if (end.code && !isExplained(scenario, plan, sent, end, end.code))
    throw new BrokenPromise(
      `${sent.kind} ${sent.id}, sent at ${sent.atUs} µs, failed at ${end.atUs} µs with ${end.code}, for no reason.`,
    );
}

function isExplained(
  { features, stations }: Scenario,
  plan: SendPlan,
  sent: Sent,
  end: Ending,
  code: FardelErrorCode,
): boolean {
  switch (code) {
    case "aborted":
      return plan.abortAtUs !== undefined && end.atUs >= plan.abortAtUs;
    case "deadline-passed":
      return plan.deadlineMs !== undefined;
    case "not-answered":
      return plan.kind === "request" && plan.deadlineMs !== undefined;
    case "request-failed":
      return plan.kind === "request" && isRequestFailed(sent.id);
    case "queue-full":
      return features.has("smallQueues") || features.has("megabytes");
    case "message-too-large":
      return features.has("smallQueues") || plan.way === "unacknowledged";
    case "refused-by-peer": {
      const bytesMax = stations[plan.to]?.config.messageBytesMax ?? Number.POSITIVE_INFINITY;
      return features.has("refusals") || features.has("cancels") || plan.bytes + 3 > bytesMax;
    }
    case "peer-restarted":
    case "peer-closed":
    case "peer-unreachable":
    case "endpoint-closed":
      return mayLoseSessions(features);
    default:
      return false;
  }
}
