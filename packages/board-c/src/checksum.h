#ifndef FARDEL_CHECKSUM_H
#define FARDEL_CHECKSUM_H

#include <stddef.h>
#include <stdint.h>

/* CRC-16/IBM-SDLC (ITU-T X.25, RFC 1662), the register as it is: start with 0xFFFF, invert at the end. */
#define FARDEL_CRC16_START 0xFFFFu
/** What a frame or datagram with its CRC leaves in the register; RFC 1662, appendix C.2. */
#define FARDEL_CRC16_GOOD 0xF0B8u

uint16_t fardel_crc16(uint16_t crc, const uint8_t *bytes, size_t count);

/** CRC-32/ISO-HDLC (ITU-T V.42), finished after each call: begin with 0, go on with what came out. */
uint32_t fardel_crc32(uint32_t crc, const uint8_t *bytes, size_t count);

#endif
