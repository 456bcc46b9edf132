#include "crypto-told.h"

#include "harness.h"

#include <string.h>

#ifdef HARNESS_MBEDTLS

#include "../../examples/crypto-mbedtls.h"

/* Only blinds what is computed: results do not depend on it. */
static int blind(void *context, unsigned char *into, size_t count) {
  uint32_t *state = context;
  for (size_t i = 0; i < count; i++) {
    *state = *state * 1664525u + 1013904223u;
    into[i] = (uint8_t)(*state >> 24);
  }
  return 0;
}

void harness_crypto(fardel_crypto *crypto) {
  static uint32_t state = 1;
  static crypto_source source = {blind, &state};
  crypto_open(crypto, &source);
}

#else

static uint8_t told[8192];

static uint8_t *put(uint8_t *at, const uint8_t *bytes, size_t count) {
  if (count > 0) memcpy(at, bytes, count);
  return at + count;
}

/* @returns 0 if the test answered with so many bytes */
static int ask(int what, int value, const uint8_t *end, uint8_t *into, int bytes) {
  int count = TELL(what, 0, value, told, (int)(end - told));
  if (count != bytes) return -1;
  memcpy(into, ANSWER, (size_t)bytes);
  return 0;
}

/* More than any datagram has: a length that was not checked. */
static void check_sizes(uint16_t head_bytes, uint16_t bytes) {
  if (head_bytes > 64 || bytes > 1500) __builtin_trap();
}

static int sha256(void *context, const fardel_span *spans, uint8_t count,
                  uint8_t digest[FARDEL_DIGEST_BYTES]) {
  uint8_t *at = told;
  (void)context;
  for (uint8_t i = 0; i < count; i++) at = put(at, spans[i].bytes, spans[i].count);
  return ask(TOLD_SHA256, 0, at, digest, FARDEL_DIGEST_BYTES);
}

static int seal(void *context, const uint8_t key[FARDEL_CIPHER_KEY_BYTES],
                const uint8_t nonce[FARDEL_NONCE_BYTES], const uint8_t *head, uint16_t head_bytes,
                uint8_t *text, uint16_t bytes, uint8_t tag[FARDEL_TAG_BYTES]) {
  (void)context;
  check_sizes(head_bytes, bytes);
  uint8_t *at = put(put(told, key, FARDEL_CIPHER_KEY_BYTES), nonce, FARDEL_NONCE_BYTES);
  at = put(put(at, text, bytes), head, head_bytes);
  int count = TELL(TOLD_SEAL, 0, bytes, told, (int)(at - told));
  if (count != bytes + FARDEL_TAG_BYTES) return -1;
  if (bytes > 0) memcpy(text, ANSWER, bytes);
  memcpy(tag, ANSWER + bytes, FARDEL_TAG_BYTES);
  return 0;
}

static int open_sealed(void *context, const uint8_t key[FARDEL_CIPHER_KEY_BYTES],
                       const uint8_t nonce[FARDEL_NONCE_BYTES], const uint8_t *head,
                       uint16_t head_bytes, const uint8_t *text, uint16_t bytes,
                       const uint8_t tag[FARDEL_TAG_BYTES], uint8_t *plain) {
  (void)context;
  check_sizes(head_bytes, bytes);
  uint8_t *at = put(put(told, key, FARDEL_CIPHER_KEY_BYTES), nonce, FARDEL_NONCE_BYTES);
  at = put(put(put(at, text, bytes), tag, FARDEL_TAG_BYTES), head, head_bytes);
  return ask(TOLD_OPEN, bytes, at, plain, bytes);
}

static int x25519(void *context, const uint8_t scalar[FARDEL_SCALAR_BYTES],
                  const uint8_t point[FARDEL_SCALAR_BYTES], uint8_t result[FARDEL_SCALAR_BYTES]) {
  (void)context;
  uint8_t *at = put(put(told, scalar, FARDEL_SCALAR_BYTES), point, FARDEL_SCALAR_BYTES);
  return ask(TOLD_X25519, 0, at, result, FARDEL_SCALAR_BYTES);
}

static int spake2_share(void *context, const uint8_t w[FARDEL_SCALAR_BYTES],
                        const uint8_t scalar[FARDEL_SCALAR_BYTES],
                        uint8_t share[FARDEL_POINT_BYTES]) {
  (void)context;
  uint8_t *at = put(put(told, w, FARDEL_SCALAR_BYTES), scalar, FARDEL_SCALAR_BYTES);
  return ask(TOLD_SPAKE2_SHARE, 0, at, share, FARDEL_POINT_BYTES);
}

static int spake2_secret(void *context, const uint8_t w[FARDEL_SCALAR_BYTES],
                         const uint8_t scalar[FARDEL_SCALAR_BYTES],
                         const uint8_t peer_share[FARDEL_POINT_BYTES],
                         uint8_t secret[FARDEL_POINT_BYTES]) {
  (void)context;
  uint8_t *at = put(put(told, w, FARDEL_SCALAR_BYTES), scalar, FARDEL_SCALAR_BYTES);
  at = put(at, peer_share, FARDEL_POINT_BYTES);
  return ask(TOLD_SPAKE2_SECRET, 0, at, secret, FARDEL_POINT_BYTES);
}

void harness_crypto(fardel_crypto *crypto) {
  static const fardel_crypto functions = {NULL,   sha256, seal, open_sealed,
                                          x25519, spake2_share, spake2_secret};
  *crypto = functions;
}

#endif
