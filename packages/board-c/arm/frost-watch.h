/**
 * @file
 * What the emulated station does, for whoever reaches it by radio:
 *
 * - A request of any length is not kept: its digest is computed as its pieces come, and told in the
 *   reply, a MessagePack map as that of `fardel receive`: bytes, sha256, and stack, the deepest
 *   that the stack has been, in bytes.
 * - The request "log N" asks for the station's log of the night, N bytes of invented data. The
 *   reply tells its length and digest: logBytes, logSha256, and stack. The log itself comes when
 *   the session with the asker is over, or after 2 s, and is sent until it is delivered.
 * - Anything else is not wanted.
 */
#ifndef FROST_WATCH_H
#define FROST_WATCH_H

#include "fardel/fardel.h"

/** Callbacks of an endpoint's config. */
int frost_watch_receive(void *context, const fardel_arrival *arrival);
void frost_watch_ended(void *context, fardel_message *message, int result);
void frost_watch_session(void *context, const uint8_t *address, int what, int reason);

void frost_watch_open(fardel_endpoint *endpoint);
/** What is due. Call it before fardel_poll(). @returns microseconds until it wants to be called */
uint32_t frost_watch_work(uint32_t now_us);

#endif
