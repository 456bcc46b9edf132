/**
 * What needs a file system: the store of paired boards.
 *
 * @packageDocumentation
 */

export {};
