import type { Stage } from "./stage.js";
export const DELIVERY_CHECKS: Record<string, (stage: Stage) => Promise<void>> = {};
