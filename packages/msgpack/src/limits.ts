/**
 * How deep a value may nest, both ways: a plain number counts 1, `[7]` counts 2. What is deeper is
 * refused by `encodeValue` and `decodeValue`, so that hostile bytes cannot exhaust the stack of
 * whoever walks the value later. Ours to choose: MessagePack sets no limit.
 */
export const DEPTH_MAX = 100;
