/**
 * What needs a file system: the store of paired boards.
 *
 * @packageDocumentation
 */

export { PeerFile, type PeerFileOptions } from "./node/peer-file.js";
