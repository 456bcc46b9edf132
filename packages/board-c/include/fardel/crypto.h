/**
 * @file
 * What pairing and protected sessions need of a library of ciphers: a struct of functions that you fill in.
 * `examples/crypto-mbedtls.c` does it with one that many boards have. HMAC, HKDF and all that the protocol makes
 * of these is the library's own. See packages/core/PROTOCOL.md, sections 16 and 17.
 */
#ifndef FARDEL_CRYPTO_H
#define FARDEL_CRYPTO_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define FARDEL_PAIR_KEY_BYTES 32
#define FARDEL_CIPHER_KEY_BYTES 16
#define FARDEL_NONCE_BYTES 13
#define FARDEL_TAG_BYTES 8
#define FARDEL_DIGEST_BYTES 32
/** Of X25519: scalars and points. Of P-256: scalars. */
#define FARDEL_SCALAR_BYTES 32
/** Of P-256: points, uncompressed. */
#define FARDEL_POINT_BYTES 65
/** Keys for one address at most: the last one that both sides are known to have, and later ones. */
#ifndef FARDEL_KEYS_MAX
#define FARDEL_KEYS_MAX 4
#endif

/** Whose side a pair key is on: who offered the pairing, or who answered. A board that was paired answered. */
enum { FARDEL_INITIATOR = 0, FARDEL_RESPONDER = 1 };

/** What `keys` answers for an address that is not spoken to at all. */
#define FARDEL_REVOKED (-1)

/** A key that two sides share. Whoever has it is the peer: keep it where nobody else can read it. */
typedef struct fardel_pair_key {
  uint8_t bytes[FARDEL_PAIR_KEY_BYTES];
  /** FARDEL_INITIATOR or FARDEL_RESPONDER: which side this one is. */
  uint8_t side;
} fardel_pair_key;

/** Some bytes that lie elsewhere. */
typedef struct fardel_span {
  const uint8_t *bytes;
  size_t count;
} fardel_span;

/**
 * The ciphers. What a board does not use may be NULL: `x25519` without the ways compare and renew, the last
 * two without the way code, `seal` and `open` without protected sessions. All return 0, or less if they failed.
 */
typedef struct fardel_crypto {
  /** Given to every function. */
  void *context;
  /** SHA-256 (FIPS 180-4) of `count` spans, one behind the other. */
  int (*sha256)(void *context, const fardel_span *spans, uint8_t count,
                uint8_t digest[FARDEL_DIGEST_BYTES]);
  /**
   * AES-128-CCM with an 8-byte tag (RFC 3610: M = 8, L = 2). Encrypts `bytes` bytes of `text` in place; `head` is
   * only authenticated.
   */
  int (*seal)(void *context, const uint8_t key[FARDEL_CIPHER_KEY_BYTES],
              const uint8_t nonce[FARDEL_NONCE_BYTES], const uint8_t *head, uint16_t head_bytes,
              uint8_t *text, uint16_t bytes, uint8_t tag[FARDEL_TAG_BYTES]);
  /**
   * The reverse; `text` is not changed, `plain` has room for `bytes` bytes. It must compare the tag in constant time.
   * @returns 0; less: the tag is wrong, and what is in `plain` then is not looked at
   */
  int (*open)(void *context, const uint8_t key[FARDEL_CIPHER_KEY_BYTES],
              const uint8_t nonce[FARDEL_NONCE_BYTES], const uint8_t *head, uint16_t head_bytes,
              const uint8_t *text, uint16_t bytes, const uint8_t tag[FARDEL_TAG_BYTES],
              uint8_t *plain);
  /** X25519 (RFC 7748, section 5). A result of zeros may be a failure here; if not, the caller looks. */
  int (*x25519)(void *context, const uint8_t scalar[FARDEL_SCALAR_BYTES],
                const uint8_t point[FARDEL_SCALAR_BYTES], uint8_t result[FARDEL_SCALAR_BYTES]);
  /** pB of SPAKE2 with P-256 (RFC 9382, section 3.3): `scalar`·P + `w`·N. Both are below the order, and not 0. */
  int (*spake2_share)(void *context, const uint8_t w[FARDEL_SCALAR_BYTES],
                      const uint8_t scalar[FARDEL_SCALAR_BYTES], uint8_t share[FARDEL_POINT_BYTES]);
  /**
   * K: `scalar`·(`peer_share` − `w`·M).
   * @returns 0; less: `peer_share` is no point of the curve, or the difference is the identity
   */
  int (*spake2_secret)(void *context, const uint8_t w[FARDEL_SCALAR_BYTES],
                       const uint8_t scalar[FARDEL_SCALAR_BYTES],
                       const uint8_t peer_share[FARDEL_POINT_BYTES],
                       uint8_t secret[FARDEL_POINT_BYTES]);
} fardel_crypto;

#ifdef __cplusplus
}
#endif
#endif
