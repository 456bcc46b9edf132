import { sweep } from "./sweep.js";

sweep(20_001, 1000, { isProtected: true });
