/* Unacknowledged messages that come; PROTOCOL.md, section 3.7. */
#include "../checksum.h"
#include "internal.h"

void fdl_break_loose(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  if (!HAS_LOOSE_PARTS || !session->has_loose) return;
  session->has_loose = 0;
  fdl_tell_broken(peer, session->loose_lane);
}

void fdl_loose(fardel_peer *peer, fdl_frame *frame) {
  fardel_session *session = &peer->session;
  uint8_t lane = (uint8_t)(FARDEL_LOOSE + frame->channel);
  uint32_t max = peer->endpoint->config->message_bytes_max;
  frame->channel = lane;
  frame->total = 0;
  if (!(frame->flags & LOOSE_FRAGMENTED)) {
    frame->total = frame->count;
    if (!max || frame->count <= max) fdl_tell(peer, frame, FARDEL_FIRST | FARDEL_LAST, 0);
    return;
  }
  if (!HAS_LOOSE_PARTS || session->phase != PHASE_OPEN) return;
  int goes_on = session->has_loose && session->loose_lane == lane &&
                session->loose_id == frame->number && session->loose_index == frame->value;
  /* In order, or not at all: nothing waits for what will not come again. */
  if (!goes_on) {
    fdl_break_loose(peer);
    if (frame->value > 0) return;
    session->loose_lane = lane;
    session->loose_id = frame->number;
    session->loose_offset = session->loose_crc = 0;
  }
  uint8_t part = (uint8_t)((frame->value == 0 ? FARDEL_FIRST : 0) |
                           (frame->flags & LOOSE_LAST ? FARDEL_LAST : 0));
  uint32_t offset = session->loose_offset;
  session->loose_crc = fardel_crc32(session->loose_crc, frame->bytes, frame->count);
  session->loose_offset += frame->count;
  session->loose_index = (uint8_t)(frame->value + 1);
  int is_good = (!max || session->loose_offset <= max) &&
                (!(part & FARDEL_LAST) || session->loose_crc == frame->crc);
  int answer = is_good ? fdl_tell(peer, frame, part, offset) : FARDEL_BUSY;
  if (answer == FARDEL_BUSY && frame->value > 0) fdl_tell_broken(peer, lane);
  session->has_loose = answer == FARDEL_TAKEN && !(part & FARDEL_LAST);
}
