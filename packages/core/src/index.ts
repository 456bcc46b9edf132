export type { Address, DatagramInfo, Link, LinkHandlers, SendOutcome } from "./link.js";
export { type Clock, SystemClock, type TimerHandle } from "./clock.js";
export { Protocol } from "./protocol/protocol.js";
export { OutgoingMessage } from "./protocol/outgoing-message.js";
