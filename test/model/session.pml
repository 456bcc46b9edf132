/*
 * Sessions: opening, answering, echo, candidates, restarts of both sides, stale datagrams.
 * PROTOCOL.md: 2.4 (tokens in the CRC), 4.1 to 4.5, 5.3, 10. README.md beside this file names the
 * section of each part and the bounds.
 *
 * Side A opens and sends, side B receives. Each session of A carries a small message (in its first
 * datagram) and a message of two fragments. What a message or fragment *is* goes with it as the token of
 * the session that sent it, which the code must not use to decide; only the assertions look at it.
 */

#ifndef LOSSES
#define LOSSES 2        /* datagrams lost, in all */
#endif
#ifndef COPIES
#define COPIES 2        /* datagrams that arrive twice, the second time at any later moment */
#endif
#ifndef RESTARTS_A
#define RESTARTS_A 1
#endif
#ifndef RESTARTS_B
#define RESTARTS_B 1
#endif
#ifndef CLOSES
#define CLOSES 1        /* times that B ends the session by itself and forgets it (10) */
#endif
#ifndef DEPTH
#define DEPTH 3         /* datagrams on their way, each way; what does not fit waits to be sent */
#endif
#ifndef REORDERS
#define REORDERS 4      /* times that the first datagram of a queue falls behind the others */
#endif
#define TOKENS 24       /* more than are ever drawn: checked */
#define REMEMBERED 2    /* tokens of ended sessions that B remembers (4 in the protocol) */

mtype = { OPENING, ANSWER, DATA, ACK, NO_SESSION };

/* kind, token from, token to, fragment or next, token of the session that really sent it */
chan toB = [DEPTH] of { mtype, byte, byte, byte, byte };
chan toA = [DEPTH] of { mtype, byte, byte, byte, byte };

byte losses = LOSSES, reorders = REORDERS, copies = COPIES, restartsA = RESTARTS_A, restartsB = RESTARTS_B, closes = CLOSES;
byte drawn = 0;         /* tokens drawn so far, by both sides: no two are alike */

/* ---- ghosts: what the assertions look at */
byte bootB = 0;                 /* incarnation of B */
byte smallIn[TOKENS];           /* in which incarnation of B (plus 1) the small message of this session arrived */
byte largeIn[TOKENS];           /* the same for the message of two fragments */
bool doneA = false;             /* A's messages are acknowledged or reported: it is at rest */
bool deliveredA = false;        /* … acknowledged */

/* ---- A: the opener */
byte aToken = 0, aPeer = 0;
byte aNext = 0;                 /* fragments 0 and 1 below this are acknowledged */

/* ---- B */
byte bToken = 0, bPeer = 0;     /* 0: no session */
byte bNext = 0;                 /* fragments held */
byte bFirst = 0;                /* ghost: whose fragment 0 is held */
byte bCandidate = 0, bCandidatePeer = 0;
byte bEnded[REMEMBERED];

inline draw(fresh) {
  drawn++;
  assert(drawn < TOKENS);
  fresh = drawn
}

/* What leaves may be lost or doubled, as long as the bounds allow. */
inline transmit(way, what, source, target, number, origin) {
  if
  :: way!what(source, target, number, origin)
  :: losses > 0 -> losses--
  :: copies > 0 && len(way) < DEPTH - 1 ->
       copies--; way!what(source, target, number, origin); way!what(source, target, number, origin)
  fi
}

/* 5.3: the small message of an opening is delivered, once in a session. */
inline deliverSmall(origin) {
  assert(smallIn[origin] != bootB + 1);   /* promise 2: not twice in one incarnation of B */
  smallIn[origin] = bootB + 1
}

inline deliverLarge(first, second) {
  assert(first == second);               /* promise 2: fragments of two sessions are never put together */
  assert(largeIn[first] != bootB + 1);
  largeIn[first] = bootB + 1
}

inline remember(old) {
  bEnded[1] = bEnded[0];
  bEnded[0] = old
}

#ifdef NO_MEMORY
#define hasEnded(who) (false)
#else
#define hasEnded(who) (who == bEnded[0] || who == bEnded[1])
#endif

#ifdef NO_TOKENS   /* wrong variant: incarnations are not compared */
#define isOfSession(from, to) (bToken != 0)
#else
#define isOfSession(from, to) (bToken != 0 && to == bToken && from == bPeer)
#endif

/* 4.3: a session begins by an opening; 4.4: or by the echo of a candidate. */
inline beginB(own, other) {
  bToken = own; bPeer = other; bNext = 0; bFirst = 0
}

inline acceptFragment(number, origin) {
  if
  :: number == bNext && number == 0 -> bNext = 1; bFirst = origin
  :: number == bNext && number == 1 -> bNext = 2; deliverLarge(bFirst, origin)
  :: else -> skip                        /* a duplicate, or beyond what is missing */
  fi
}

active proctype A() {
  mtype kind; byte from, to, value, truth;
  draw(aToken);
  do
  /* sending again: the retry or probe timer (7.4) may fire at any time */
  :: atomic { !doneA && aPeer == 0 && nfull(toB) -> transmit(toB, OPENING, aToken, 0, 0, aToken) }
  :: atomic { !doneA && aPeer != 0 && nfull(toB) && aNext < 2 -> transmit(toB, DATA, aToken, aPeer, aNext, aToken) }
  :: atomic { toA?kind, from, to, value, truth ->
       if
       :: doneA || to != aToken -> skip                     /* of an earlier session (2.4, 4.5) */
       :: else ->
            if
            :: kind == ANSWER && aPeer == 0 -> aPeer = from
            :: kind == ACK && from == aPeer && value > aNext ->
                 aNext = value;
                 if
                 :: aNext == 2 -> doneA = true; deliveredA = true; assert(largeIn[aToken] != 0)
                 :: else -> skip
                 fi
            :: kind == NO_SESSION ->                        /* 4.4, 10: the peer has lost the session */
                 aPeer = 0; aNext = 0;
                 draw(aToken)                               /* afterRestart: "resend", in a new session */
            :: else -> skip
            fi
       fi;
       kind = 0; from = 0; to = 0; value = 0; truth = 0 }
  /* A restarts: its program starts over, with new messages */
  :: atomic { restartsA > 0 && !doneA -> restartsA--; aPeer = 0; aNext = 0; draw(aToken) }
  :: atomic { doneA && empty(toA) -> break }
  od;
end_A:
  do
  :: atomic { toA?kind, from, to, value, truth -> kind = 0; from = 0; to = 0; value = 0; truth = 0 }
  od
}

active proctype B() {
  mtype kind; byte from, to, value, truth; byte answer;
end_B:
  do
  :: atomic { nfull(toA) && nempty(toB) -> toB?kind, from, to, value, truth;
       if
       :: kind == OPENING && bToken == 0 && !hasEnded(from) ->                /* 4.3 */
            draw(answer); beginB(answer, from); deliverSmall(truth);
            transmit(toA, ANSWER, bToken, from, 0, 0)
       :: kind == OPENING && bToken != 0 && from == bPeer ->                  /* 4.3: again */
            transmit(toA, ANSWER, bToken, from, 0, 0)
       :: kind == OPENING && hasEnded(from) ->                                /* 4.4: stale */
            transmit(toA, NO_SESSION, 0, from, 0, 0)
       :: kind == OPENING && bToken != 0 && from != bPeer && !hasEnded(from) ->
#ifdef NO_CANDIDATE   /* wrong variant: an opening replaces the session at once */
            remember(bPeer); draw(answer); beginB(answer, from); deliverSmall(truth);
            transmit(toA, ANSWER, bToken, from, 0, 0)
#else
            if                                                                /* 4.4: a candidate */
            :: bCandidatePeer != from -> draw(bCandidate); bCandidatePeer = from
            :: else -> skip
            fi;
            transmit(toA, ANSWER, bCandidate, from, 0, 0)
#endif
       :: kind == DATA && isOfSession(from, to) ->
            acceptFragment(value, truth);
            transmit(toA, ACK, bToken, from, bNext, 0)
       :: kind == DATA && !isOfSession(from, to) && bCandidate != 0 && to == bCandidate && from == bCandidatePeer ->
            remember(bPeer); beginB(bCandidate, from); bCandidate = 0; bCandidatePeer = 0;   /* 4.4: the echo */
            acceptFragment(value, truth);
            transmit(toA, ACK, bToken, from, bNext, 0)
       :: kind == DATA && !isOfSession(from, to) && !(bCandidate != 0 && to == bCandidate && from == bCandidatePeer) ->
            transmit(toA, NO_SESSION, 0, from, 0, 0)                          /* 4.4 */
       fi;
       kind = 0; from = 0; to = 0; value = 0; truth = 0; answer = 0 }
  :: atomic { closes > 0 && !doneA && bToken != 0 ->                          /* 10: the end is remembered, 4.4 */
       closes--; remember(bPeer); bToken = 0; bPeer = 0; bNext = 0; bFirst = 0; bCandidate = 0; bCandidatePeer = 0 }
  :: atomic { restartsB > 0 && !doneA ->
       restartsB--; bootB++;
       bToken = 0; bPeer = 0; bNext = 0; bFirst = 0; bCandidate = 0; bCandidatePeer = 0;
       bEnded[0] = 0; bEnded[1] = 0 }
  od
}

/* Reordering: what is first may go behind the others at any time. */
active proctype Air() {
  mtype kind; byte from, to, value, truth;
end_Air:
  do
  :: atomic { reorders > 0 && len(toB) > 1 -> reorders--; toB?kind, from, to, value, truth; toB!kind(from, to, value, truth);
       kind = 0; from = 0; to = 0; value = 0; truth = 0 }
  :: atomic { reorders > 0 && len(toA) > 1 -> reorders--; toA?kind, from, to, value, truth; toA!kind(from, to, value, truth);
       kind = 0; from = 0; to = 0; value = 0; truth = 0 }
  od
}

ltl delivered { <> deliveredA }
