/* A datagram while it is written. */
#ifndef FARDEL_WRITER_H
#define FARDEL_WRITER_H

#include "internal.h"

typedef struct fdl_writer {
  fardel_peer *peer;
  uint8_t *at;
  uint8_t *end;
  /** The last frame, while its bytes run to the end; NULL: there is none. */
  uint8_t *open;
  /** Where its length would stand. */
  uint8_t *body;
  fardel_message *unreadable;
  /** An unacknowledged message whose last part is in it. */
  fardel_message *loose;
  uint8_t is_long;
  uint8_t has_acks;
  uint8_t elicits;
  uint8_t has_messages;
  uint8_t ends_urgent;
} fdl_writer;

/** Room for one more frame, once the open one has got its length. */
int fdl_room_of(const fdl_writer *out);
/** Whether acks do not push out a fragment. */
int fdl_can_ride(const fdl_writer *out);
/** What goes of the message that was picked. */
void fdl_measure(const fardel_session *session, const pick *picked, fdl_span *span);
/** Writes what goes next, for as long as it fits. */
void fdl_fill(fdl_writer *out);
/** Asking alone is cheaper than repeating, unless what is in flight is small. */
void fdl_fill_probe(fdl_writer *out);

#endif
