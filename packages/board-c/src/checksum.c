#include "checksum.h"

/* Half a byte at a time: tables of 16 entries, since 256 would cost a board a kilobyte and a half. */

uint16_t fardel_crc16(uint16_t crc, const uint8_t *bytes, size_t count) {
  static const uint16_t table[16] = {
      0x0000, 0x1081, 0x2102, 0x3183, 0x4204, 0x5285, 0x6306, 0x7387,
      0x8408, 0x9489, 0xa50a, 0xb58b, 0xc60c, 0xd68d, 0xe70e, 0xf78f,
  };
  while (count-- > 0) {
    crc = (uint16_t)(crc ^ *bytes++);
    crc = (uint16_t)(crc >> 4 ^ table[crc & 15]);
    crc = (uint16_t)(crc >> 4 ^ table[crc & 15]);
  }
  return crc;
}

uint32_t fardel_crc32(uint32_t crc, const uint8_t *bytes, size_t count) {
  static const uint32_t table[16] = {
      0x00000000, 0x1db71064, 0x3b6e20c8, 0x26d930ac, 0x76dc4190, 0x6b6b51f4, 0x4db26158, 0x5005713c,
      0xedb88320, 0xf00f9344, 0xd6d6a3e8, 0xcb61b38c, 0x9b64c2b0, 0x86d3d2d4, 0xa00ae278, 0xbdbdf21c,
  };
  crc = ~crc;
  while (count-- > 0) {
    crc ^= *bytes++;
    crc = crc >> 4 ^ table[crc & 15];
    crc = crc >> 4 ^ table[crc & 15];
  }
  return ~crc;
}
