/*
 * HMAC and HKDF on top of the caller's SHA-256, and what else is done with secrets.
 *
 * Spans come in arrays with a free place in front, and for fdl_expand() one more behind: what is put before and
 * after them needs no copy on a small stack. Counts are of all places.
 */
#ifndef FARDEL_DIGEST_H
#define FARDEL_DIGEST_H

#include "fardel/crypto.h"

#define FDL_FREE {NULL, 0}

/** HMAC-SHA256 (RFC 2104) of spans[1] and so on. @param key_bytes at most 64 @returns 0, or less */
int fdl_hmac(const fardel_crypto *crypto, const uint8_t *key, size_t key_bytes, fardel_span *spans,
             uint8_t count, uint8_t digest[FARDEL_DIGEST_BYTES]);

/** HKDF-Extract (RFC 5869, 2.2) of spans[1] and so on. @param salt_bytes at most 64 @returns 0, or less */
static inline int fdl_extract(const fardel_crypto *crypto, const uint8_t *salt, size_t salt_bytes,
                              fardel_span *secret, uint8_t count,
                              uint8_t prk[FARDEL_DIGEST_BYTES]) {
  return fdl_hmac(crypto, salt, salt_bytes, secret, count, prk);
}

/** HKDF-Expand (RFC 5869, 2.3) of one block, all but the first and the last span. @param bytes at most 32 @returns 0, or less */
int fdl_expand(const fardel_crypto *crypto, const uint8_t prk[FARDEL_DIGEST_BYTES],
               fardel_span *info, uint8_t count, uint8_t *into, uint8_t bytes);

/** In a time that does not depend on the bytes. */
int fdl_is_equal(const uint8_t *one, const uint8_t *other, size_t count);

/** Zeros that no compiler leaves out. */
void fdl_wipe(void *bytes, size_t count);

#endif
