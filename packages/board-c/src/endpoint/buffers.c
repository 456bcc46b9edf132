/* Fragments that wait behind a gap; PROTOCOL.md, section 5.3. */
#include "../checksum.h"
#include "internal.h"

static uint8_t *bytes_of(const fardel_endpoint *endpoint, const fardel_buffer *buffer) {
  size_t each = (size_t)(endpoint->config->mtu_bytes - FARDEL_AROUND_BYTES);
  return endpoint->buffer_bytes + (size_t)(buffer - endpoint->buffers) * each;
}

fardel_buffer *fdl_find_buffer(const fardel_peer *peer, uint8_t channel, uint16_t fragment) {
  const fardel_endpoint *endpoint = peer->endpoint;
  uint8_t owner = (uint8_t)(place_of(peer) + 1);
  fardel_buffer *each = endpoint->buffers;
  for (unsigned left = endpoint->config->buffers; left > 0; left--, each++)
    if (each->peer == owner && each->fragment == fragment && (each->type & 0x0F) == channel)
      return each;
  return NULL;
}

static fardel_buffer *free_buffer(const fardel_endpoint *endpoint) {
  fardel_buffer *each = endpoint->buffers;
  for (unsigned left = endpoint->config->buffers; left > 0; left--, each++)
    if (!each->peer) return each;
  return NULL;
}

void fdl_read_buffer(const fardel_endpoint *endpoint, const fardel_buffer *buffer,
                     fdl_frame *frame) {
  frame->flags = buffer->type;
  frame->channel = buffer->type & 0x0F;
  frame->number = buffer->fragment;
  uint8_t shape = buffer->type & (DATA_FIRST | DATA_LAST);
  fdl_read_body(frame, shape, bytes_of(endpoint, buffer), buffer->bytes);
}

/*
 * A message that is all here, and must wait for its turn: whether it is damaged is looked at now,
 * before its last fragment is acknowledged. @returns whether it is; `frame` is another one then
 */
static int is_damaged_run(fardel_peer *peer, fdl_frame *frame) {
  fardel_buffer *buffer;
  uint16_t at = frame->number;
  uint32_t crc = 0;
  uint32_t total = 0;
  uint32_t bytes = 0;
  do {
    buffer = fdl_find_buffer(peer, frame->channel, at--);
  } while (buffer && !(buffer->type & DATA_FIRST));
  uint16_t first = (uint16_t)(at + 1);
  for (at = first; buffer; buffer = fdl_find_buffer(peer, frame->channel, ++at)) {
    fdl_read_buffer(peer->endpoint, buffer, frame);
    if (at == first) total = frame->total;
    crc = fardel_crc32(crc, frame->bytes, frame->count);
    bytes += frame->count;
    if (!(frame->flags & DATA_LAST)) continue;
    if (at == first || (crc == frame->crc && (total == 0 || total == bytes))) return 0;
    fdl_say_stop(&peer->session, frame->channel, first, STOP_DAMAGED);
    return 1;
  }
  return 0;
}

int fdl_keep(fardel_peer *peer, fdl_frame *frame) {
  const fardel_endpoint *endpoint = peer->endpoint;
  fardel_buffer *buffer = free_buffer(endpoint);
  if (!buffer || frame->body_count > endpoint->config->mtu_bytes - FARDEL_AROUND_BYTES) return 0;
  buffer->peer = (uint8_t)(place_of(peer) + 1);
  buffer->type = (uint8_t)((frame->flags & (DATA_FIRST | DATA_LAST)) | frame->channel);
  buffer->fragment = frame->number;
  buffer->bytes = frame->body_count;
  memcpy(bytes_of(endpoint, buffer), frame->body, frame->body_count);
  if (!is_damaged_run(peer, frame)) return 1;
  buffer->peer = 0;
  return 0;
}

void fdl_free_buffers(fardel_peer *peer) {
  fardel_buffer *each = peer->endpoint->buffers;
  for (unsigned left = peer->endpoint->config->buffers; left > 0; left--, each++)
    if (each->peer == place_of(peer) + 1) each->peer = 0;
}
