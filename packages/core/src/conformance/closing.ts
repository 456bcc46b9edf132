import type { Stage } from "./stage.js";
export const CLOSING_CHECKS: Record<string, (stage: Stage) => Promise<void>> = {};
