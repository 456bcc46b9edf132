/* From bytes on the line to frames: BRIDGE.md, section 2. Unstuffed as they come: one is held. */
#include "../checksum.h"
#include "parts.h"

#define COBS_FULL 0xff
#define CRC_BYTES 2

/* `input_flags` */
enum {
  /* Something has come since the last delimiter. */
  HAS_BYTES = 1,
  /* It is no frame whatever comes. */
  IS_BAD = 2,
  /* COBS: a zero stands behind this group if another one follows. SLIP: an escape has begun. */
  IS_OWED = 4
};

static void keep(fardel_bridge *bridge, uint8_t byte) {
  const fardel_bridge_config *config = bridge->config;
  if (bridge->input_length < FARDEL_BRIDGE_INPUT_BYTES(config->mtu_bytes, config->address_bytes)) {
    bridge->input[bridge->input_length++] = byte;
  } else {
    bridge->input_flags |= IS_BAD;
  }
}

static void unstuff_cobs(fardel_bridge *bridge, uint8_t byte) {
  if (bridge->input_run > 0) {
    bridge->input_run--;
    keep(bridge, byte);
    return;
  }
  if (bridge->input_flags & IS_OWED) keep(bridge, 0);
  bridge->input_run = (uint8_t)(byte - 1);
  if (byte == COBS_FULL) {
    bridge->input_flags &= (uint8_t)~IS_OWED;
  } else {
    bridge->input_flags |= IS_OWED;
  }
}

static void unstuff_slip(fardel_bridge *bridge, uint8_t byte) {
  if (!(bridge->input_flags & IS_OWED)) {
    if (byte == SLIP_ESCAPE) {
      bridge->input_flags |= IS_OWED;
    } else {
      keep(bridge, byte);
    }
    return;
  }
  bridge->input_flags &= (uint8_t)~IS_OWED;
  if (byte == SLIP_ESCAPED_DELIMITER) {
    keep(bridge, SLIP_DELIMITER);
  } else if (byte == SLIP_ESCAPED_ESCAPE) {
    keep(bridge, SLIP_ESCAPE);
  } else {
    bridge->input_flags |= IS_BAD;
  }
}

static int has_good_crc(const fardel_bridge *bridge, uint16_t length) {
  uint16_t crc = FARDEL_CRC16_START;
  if (bridge->input[0] == TYPE_SEND_AGAIN && (bridge->flags & HAS_IMPLIED_TO)) {
    crc = fardel_crc16(crc, bridge->implied_to, bridge->config->address_bytes);
  }
  return fardel_crc16(crc, bridge->input, length) == FARDEL_CRC16_GOOD;
}

static void end_frame(fardel_bridge *bridge, uint32_t now_us) {
  uint16_t length = bridge->input_length;
  uint8_t flags = bridge->input_flags;
  int is_whole = bridge->config->framing == FARDEL_BRIDGE_SLIP ? !(flags & IS_OWED)
                                                               : bridge->input_run == 0;
  bridge->input_length = 0;
  bridge->input_run = 0;
  bridge->input_flags = 0;
  if (!(flags & HAS_BYTES)) return;
  is_whole = is_whole && !(flags & IS_BAD) && length > CRC_BYTES;
  if (is_whole && has_good_crc(bridge, length)) {
    bridge->counts[COUNT_GOOD]++;
    fdb_handle_body(bridge, bridge->input, (uint16_t)(length - CRC_BYTES), now_us);
  } else {
    bridge->counts[COUNT_DAMAGED]++;
  }
}

void fardel_bridge_bytes_received(fardel_bridge *bridge, const uint8_t *bytes, size_t count,
                                  uint32_t now_us) {
  int is_slip = bridge->config->framing == FARDEL_BRIDGE_SLIP;
  uint8_t delimiter = is_slip ? SLIP_DELIMITER : COBS_DELIMITER;
  while (count-- > 0) {
    uint8_t byte = *bytes++;
    if (byte == delimiter) {
      end_frame(bridge, now_us);
      continue;
    }
    bridge->input_flags |= HAS_BYTES;
    if (is_slip) {
      unstuff_slip(bridge, byte);
    } else {
      unstuff_cobs(bridge, byte);
    }
  }
}
