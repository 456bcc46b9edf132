/**
 * Finding boards, pairing with the right one, and keeping others out.
 *
 * @packageDocumentation
 */

export {};
