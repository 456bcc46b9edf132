// The edge of the worker: messages in, messages out.

import type { Answer, Order } from "./messages.js";
import { serveLab } from "./serve.js";

/** The part of a dedicated worker's global scope that is used; the types of the page are another's. */
interface WorkerScope {
  onmessage: ((event: MessageEvent<Order>) => void) | null;
  postMessage(answer: Answer, buffers: readonly ArrayBufferLike[]): void;
}

const scope = globalThis as unknown as WorkerScope;
const take = serveLab((answer, buffers) => scope.postMessage(answer, buffers));
scope.onmessage = ({ data }) => take(data);
