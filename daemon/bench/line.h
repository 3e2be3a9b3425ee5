/*
 * One line: framing, one outstanding message, time-outs, spoil, resynchronisation. Knows bytes and time, no roles.
 * Pure.
 *
 * line_say(), line_off() and line_resync() put bytes into `tx`; the owner writes them and tells line_sent(). Each event
 * ends what was under way, but LINE_NOTHING. After LINE_ASTRAY and LINE_TIMED_OUT the line is `unknown`: only
 * line_off() and line_resync() may follow.
 */
#ifndef BRUNT_BENCH_LINE_H
#define BRUNT_BENCH_LINE_H

#include "daemon/bench/dialect_inside.h"

enum line_event {
    LINE_NOTHING,
    LINE_DONE,     /* a message without answer is out (and echoed, where the instrument echoes) */
    LINE_ANSWERED, /* line->answer: one whole line, the one asked for as far as a line can know */
    LINE_TIMED_OUT,
    LINE_ASTRAY, /* something came that nobody had asked for, or too long, or not a text */
    LINE_SYNCED,
    LINE_NOT_SYNCED
};

enum line_phase { LINE_FREE, LINE_BUSY /* message going out or answer awaited */, LINE_DRAINING };

enum line_cut {
    CUT_NOTHING, /* the line was free; off is what is under way now */
    CUT_MESSAGE, /* what was under way is dropped; off is under way now */
    CUT_RIDES    /* off went out beside an answer that is still awaited: it must be sent again after that */
};

struct line {
    const struct dialect *dialect; /* borrowed: manners of the address */
    int baud;                      /* 0: unpaced */
    enum line_phase phase;
    bool unknown; /* what stands in the instrument's buffer, or is on its way here, isn't known */
    unsigned char tx[3 * MESSAGE_SIZE];
    size_t tx_len, tx_sent;
    bool tx_is_off, in_message;                  /* in_message: the last byte sent was no end of a message */
    bool riding;                                 /* tx goes out beside an answer that is still awaited */
    char said[MESSAGE_SIZE], rode[MESSAGE_SIZE]; /* texts whose echo may come */
    bool expects, echo_seen, resyncing, then_ask;
    char want[ANSWER_SIZE]; /* the predicted answer of a resynchronisation; "" none */
    int64_t said_us, asked_us, deadline_us, early_us, drained_from_us, heard_us;
    bool paced; /* the line was seen to take the time its baud rate says */
    char rx[ANSWER_SIZE + 1];
    size_t rx_len;
    bool rx_over, rx_bad;
    char answer[ANSWER_SIZE + 1];
};

void line_start(struct line *line, const struct dialect *dialect, int baud);

/* Only on a free, known line. false: longer than the instrument takes; nothing is sent. */
bool line_say(struct line *line, const char *text, bool expects_answer, int64_t now_us);

/* In any state. */
enum line_cut line_off(struct line *line, const char *text, int64_t now_us);

/* Drops what isn't under way on the wire yet. true: it had not begun to go out, and the line is free. */
bool line_unsay(struct line *line);

/* Spoil, drain, then `text` whose answer must be `want` (NULL both: quiet time alone must do). at_once: no quiet time
 * needed before. */
void line_resync(struct line *line, const char *text, const char *want, bool at_once, int64_t now_us);

enum line_event line_sent(struct line *line, size_t len, int64_t now_us);
enum line_event line_hear(struct line *line, unsigned char byte, int64_t now_us);
enum line_event line_tick(struct line *line, int64_t now_us);
int64_t line_due_us(const struct line *line);

#endif
