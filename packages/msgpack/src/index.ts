export { decodeValue } from "./decode-value.js";
export { encodeValue } from "./encode-value.js";
export { DEPTH_MAX } from "./limits.js";
export { ValueError, type ValueErrorCode } from "./value-error.js";
export {
  type MessageBytes,
  type MessageSender,
  type ReceivedValue,
  sendValue,
  values,
} from "./values.js";
