import type { Stage } from "./stage.js";
export const SENDING_CHECKS: Record<string, (stage: Stage) => Promise<void>> = {};
