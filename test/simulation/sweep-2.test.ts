import { sweep } from "./sweep.js";

sweep(1501, 1500);
