import { type Delivery, FardelError, type FardelErrorCode } from "./protocol/errors.js";

/** What happened, and what to do next. */
const SENTENCES: Readonly<Record<FardelErrorCode, string>> = {
  aborted: "The message was aborted by its sender.",
  damaged: "The message arrived damaged again and again. Check the link, then send it once more.",
  "deadline-passed":
    "The deadline passed before the message was acknowledged. Allow more time, or look at the link's loss and the peer's window.",
  "endpoint-closed": "This endpoint, or the session, was closed here. Open it again to send.",
  "invalid-option": "An option is not valid.",
  "link-failed": "The link failed. Check the cable or the radio, then open it again.",
  "message-too-large": "The message is too large. Split it.",
  "not-answered":
    "The request was not answered in time. If it must not be done twice, ask the peer what it did before repeating it.",
  "peer-closed": "The peer closed the session. Send again to open a new one.",
  "peer-restarted":
    'The peer lost the session while this may have reached it. Ask it, or send again with afterRestart: "resend" if doing it twice is harmless.',
  "peer-revoked":
    "The key of this peer was revoked: nothing is sent to it or taken from it. Pair with it again if it is to be trusted.",
  "peer-unreachable":
    "The peer has not been heard. Check that it has power, is in range, and on the same radio channel.",
  "queue-full":
    "Too much waits for this peer already. Wait for earlier messages to end, or raise sendQueueBytesMax and sendQueueMessagesMax.",
  "refused-by-peer": "The peer does not take this message",
  "request-failed": "The peer's application could not answer the request.",
  "sender-gave-up": "The sender gave the message up before it was whole.",
};

const STOP_SENTENCES: Readonly<Record<number, string>> = {
  1: ": it is larger than the peer allows. Split it, or raise messageBytesMax there.",
  4: ": its reader has stopped reading.",
};

export function sentenceFor(code: FardelErrorCode, stopReason?: number): string {
  if (code !== "refused-by-peer") return SENTENCES[code];
  return SENTENCES[code] + (STOP_SENTENCES[stopReason ?? 0] ?? ": its accept option refused it.");
}

/** `aborted`, with the caller's own reason as `cause`. */
export function abortError(
  signal: AbortSignal | undefined,
  delivery: Delivery | undefined,
): FardelError {
  return Object.assign(new FardelError("aborted", sentenceFor("aborted"), delivery), {
    cause: signal?.reason,
  });
}
