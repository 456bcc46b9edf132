import { LabEngine } from "../worker/client.js";
import { makeLabWorker } from "../worker/inline.js";

/** The one simulation of the page; it works in the background. */
export const engine = new LabEngine(makeLabWorker);
