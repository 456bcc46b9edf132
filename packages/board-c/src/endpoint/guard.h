/*
 * Protected sessions; PROTOCOL.md, section 17. Without FARDEL_PROTECTED all of this is what a plain session is
 * anyway, and takes no code.
 */
#ifndef FARDEL_GUARD_H
#define FARDEL_GUARD_H

#include "fardel/fardel.h"
#include "wire.h"

#define HEAD_PROTECTED 0x08
#define PROTECTED_LONG_HEAD_BYTES (LONG_HEAD_BYTES + FARDEL_SALT_BYTES)
#define PROTECTED_NO_SESSION_BYTES (PROTECTED_LONG_HEAD_BYTES + 1 + FARDEL_TAG_BYTES)
/** Smallest MTU of a protected session. */
#define PROTECTED_MTU_MIN 48

#ifdef FARDEL_PROTECTED

#ifdef FARDEL_SMALL
#error "FARDEL_PROTECTED needs candidates: without them who repeats an old opening would end the session. Leave FARDEL_SMALL out."
#endif

/* What a session reckons with: its MTU is less by what a tag takes beyond a CRC. */
static inline uint8_t long_head_of(const fardel_session *session) {
  return session->guard.is_on ? PROTECTED_LONG_HEAD_BYTES : LONG_HEAD_BYTES;
}
static inline uint8_t tail_of(const fardel_session *session) {
  return session->guard.is_on ? FARDEL_TAG_BYTES : CRC_BYTES;
}
static inline uint8_t extra_of(const fardel_session *session) {
  return (uint8_t)(tail_of(session) - CRC_BYTES);
}
static inline uint8_t no_session_of(const fardel_session *session) {
  return session->guard.is_on ? PROTECTED_NO_SESSION_BYTES : NO_SESSION_BYTES;
}
static inline int is_protected(const fardel_session *session) { return session->guard.is_on; }
static inline int is_secret(const fdl_incoming *in) { return in->bytes[0] & HEAD_PROTECTED; }

/** Whether the endpoint has what it needs for the keys of its config. */
int fdl_can_protect(const fardel_config *config);
/** Whether this address is not spoken to. */
int fdl_is_revoked(const fardel_endpoint *endpoint, const uint8_t *address);
/** What a message to it reckons with, before there is a session. */
uint16_t fdl_mtu_for(const fardel_endpoint *endpoint, const uint8_t *address);
/** Whether it is protected as all from this address must be, or in plain if there is no key. */
int fdl_is_welcome(const fardel_endpoint *endpoint, const uint8_t *address, const fdl_incoming *in);
/**
 * As fdl_check(), which it is for plain datagrams. Of protected ones the frames lie in the endpoint's
 * datagram afterwards.
 */
int fdl_check_short(const fardel_peer *peer, const fardel_guard *guard, fdl_incoming *in,
                    uint32_t token_to, uint32_t token_from);
int fdl_check_long(fardel_endpoint *endpoint, const uint8_t *address, fardel_peer *peer,
                   fdl_incoming *in);
/** NO-SESSION about a token that we do not take for the peer's. */
int fdl_is_stale(const fardel_peer *peer, const fdl_incoming *in);

/** A session of this token begins: under the key in use, if there is one. */
void fdl_guard_begin(fardel_peer *peer, fardel_guard *guard, uint32_t token);
/** The peer's token is believed: with its salt, and the key that was right. */
void fdl_guard_adopt(fardel_peer *peer, fardel_guard *guard, uint32_t token,
                     const fdl_incoming *in);
/** The peer has gone over to another key that we know. */
void fdl_guard_follow(fardel_peer *peer, const fdl_incoming *in);
/** The peer's token is not what it was taken for. */
void fdl_guard_forget_peer(fardel_peer *peer);
/** The candidate's becomes the session's. */
void fdl_guard_promote(fardel_peer *peer);
/** Behind the head of the long form. @returns its end */
uint8_t *fdl_put_salt(fardel_endpoint *endpoint, const fardel_guard *guard, uint8_t *at);
/** Encrypts, and adds the tag. @returns all bytes; 0: the cipher has failed */
uint16_t fdl_guard_seal(fardel_endpoint *endpoint, const fardel_guard *guard, uint32_t token_to,
                        uint32_t number, uint8_t *end);
/** Bytes behind the frames, under such a guard. */
#define TAIL_OF(guard) ((guard)->is_on ? FARDEL_TAG_BYTES : CRC_BYTES)
#define SEAL(endpoint, guard, token_to, number, session, end)                     \
  ((guard)->is_on ? fdl_guard_seal(endpoint, guard, token_to, number, end)        \
                  : fdl_seal(endpoint, session, end))
/** Whether there is a datagram: a cipher may fail. */
static inline int is_sealed(uint16_t bytes) { return bytes > 0; }
/** Ours to who has no session with us, as answer() noted it. @returns all bytes; 0: nothing is to be said */
uint16_t fdl_seal_answer(fardel_endpoint *endpoint, uint8_t *end);
uint8_t *fdl_put_refused(fardel_endpoint *endpoint, uint8_t *at);
void fdl_note_answer(fardel_endpoint *endpoint, const uint8_t *address, const fdl_incoming *in);
static inline uint8_t answer_bytes(const fdl_incoming *in) {
  return is_secret(in) ? PROTECTED_NO_SESSION_BYTES : NO_SESSION_BYTES;
}

#else

#define long_head_of(session) LONG_HEAD_BYTES
#define tail_of(session) CRC_BYTES
#define extra_of(session) 0
#define no_session_of(session) NO_SESSION_BYTES
#define is_protected(session) 0
#define is_secret(in) 0
#define fdl_can_protect(config) 1
#define fdl_is_revoked(endpoint, address) 0
#define is_sealed(bytes) 1
#define fdl_mtu_for(endpoint, address) ((endpoint)->config->mtu_bytes)
#define fdl_is_welcome(endpoint, address, in) 1
#define fdl_check_short(peer, guard, in, token_to, token_from) fdl_check(in, token_to, token_from)
#define fdl_check_long(endpoint, address, peer, in) fdl_check(in, (in)->to, (in)->from)
#define fdl_is_stale(peer, in) 0
#define fdl_guard_begin(peer, guard, token) ((void)0)
#define fdl_guard_adopt(peer, guard, token, in) ((void)0)
#define fdl_guard_follow(peer, in) ((void)0)
#define fdl_guard_forget_peer(peer) ((void)0)
#define fdl_guard_promote(peer) ((void)0)
static inline uint8_t *fdl_put_nothing(uint8_t *at) { return at; }
#define fdl_put_salt(endpoint, guard, at) fdl_put_nothing(at)
#define TAIL_OF(guard) CRC_BYTES
#define SEAL(endpoint, guard, token_to, number, session, end) fdl_seal(endpoint, session, end)
#define fdl_seal_answer(endpoint, end) fdl_seal(endpoint, NULL, end)
#define fdl_put_refused(endpoint, at) fdl_put_nothing(at)
#define fdl_note_answer(endpoint, address, in) ((void)0)
#define answer_bytes(in) NO_SESSION_BYTES

#endif

#endif
