import { sweep } from "./sweep.js";

sweep(1, 1500);
