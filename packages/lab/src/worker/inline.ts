import type { LabWorker } from "./client.js";
import InlineWorker from "./lab-worker.ts?worker&inline";
import type { Answer } from "./messages.js";

/** A worker whose program is part of the page's own file, so that it also runs from a disk. */
export function makeLabWorker(): LabWorker {
  const worker = new InlineWorker();
  return {
    listen(onAnswer, onError) {
      worker.onmessage = ({ data }: MessageEvent<Answer>) => onAnswer(data);
      worker.onmessageerror = () => onError("an answer could not be read");
      worker.onerror = ({ message }) => onError(message || "no reason was given");
    },
    post: (order) => worker.postMessage(order),
    end: () => worker.terminate(),
  };
}
