#include "daemon/bench/line.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"
#include "daemon/bench/message.h"

#include <string.h>

enum { BITS_A_BYTE = 10, USUAL_ANSWER = 128 };

static int64_t travel_us(const struct line *line, size_t bytes)
{
    return line->baud > 0 ? (int64_t)bytes * BITS_A_BYTE * US_PER_S / line->baud : 0;
}

static const struct dialect_line *manner(const struct line *line)
{
    return &line->dialect->line;
}

void line_start(struct line *line, const struct dialect *dialect, int baud)
{
    memset(line, 0, sizeof *line);
    line->dialect = dialect;
    line->baud = baud;
    line->unknown = true;
    line->asked_us = line->deadline_us = NEVER_US;
}

static bool put(struct line *line, const char *text, const char *end)
{
    size_t len = strlen(text), end_len = strlen(end);
    if (line->tx_len + len + end_len > sizeof line->tx)
        return false;
    memcpy(line->tx + line->tx_len, text, len);
    memcpy(line->tx + line->tx_len + len, end, end_len);
    line->tx_len += len + end_len;
    return true;
}

static void put_spoil(struct line *line)
{
    if (manner(line)->spoil[0])
        put(line, manner(line)->spoil, message_end(line->dialect));
}

static void clear_tx(struct line *line)
{
    line->tx_len = line->tx_sent = 0;
    line->tx_is_off = line->riding = false;
}

static void clear_rx(struct line *line)
{
    line->rx_len = 0;
    line->rx_over = line->rx_bad = false;
}

/* Until the last byte is out, the line itself may hold it back (flow control): that ends too. */
static void set_deadline(struct line *line, int64_t from_us)
{
    int longest = manner(line)->longest_answer < USUAL_ANSWER ? manner(line)->longest_answer : USUAL_ANSWER;
    line->deadline_us = from_us + travel_us(line, line->tx_len + (size_t)longest) + manner(line)->answer_within_us;
}

static void begin(struct line *line, const char *text, bool expects, int64_t now_us)
{
    text_copy(line->said, sizeof line->said, text);
    line->phase = LINE_BUSY;
    line->expects = expects;
    line->echo_seen = false;
    line->said_us = now_us;
    line->asked_us = NEVER_US;
    clear_rx(line);
    set_deadline(line, now_us);
}

static enum line_event end_with(struct line *line, enum line_event event)
{
    line->phase = LINE_FREE;
    line->resyncing = line->then_ask = false;
    line->deadline_us = NEVER_US;
    if (event == LINE_TIMED_OUT || event == LINE_ASTRAY)
        line->unknown = true;
    clear_rx(line);
    return event;
}

/* An off that is under way isn't stopped by anything that is heard; on a line that is unknown anyway nothing is news.
 */
static enum line_event astray(struct line *line)
{
    bool off_goes_on = line->phase == LINE_BUSY && !line->expects;
    if (!off_goes_on && !(line->phase == LINE_FREE && line->unknown))
        return end_with(line, LINE_ASTRAY);
    line->unknown = true;
    clear_rx(line);
    return LINE_NOTHING;
}

bool line_say(struct line *line, const char *text, bool expects_answer, int64_t now_us)
{
    if (strlen(text) + strlen(message_end(line->dialect)) > (size_t)manner(line)->longest_message)
        return false;
    clear_tx(line);
    put(line, text, message_end(line->dialect));
    begin(line, text, expects_answer, now_us);
    return true;
}

static bool nothing_awaited(const struct line *line)
{
    return line->phase == LINE_FREE || (line->tx_sent < line->tx_len && !line->tx_is_off);
}

enum line_cut line_off(struct line *line, const char *text, int64_t now_us)
{
    enum line_cut cut = line->phase == LINE_FREE ? CUT_NOTHING : nothing_awaited(line) ? CUT_MESSAGE : CUT_RIDES;
    if (line->tx_is_off && line->tx_sent < line->tx_len) { /* another channel's off is half out: behind it */
        put(line, text, message_end(line->dialect));
        text_copy(line->rode, sizeof line->rode, text);
        return CUT_RIDES;
    }
    bool spoil = line->in_message || line->unknown;
    clear_tx(line);
    if (spoil)
        put_spoil(line);
    put(line, text, message_end(line->dialect));
    line->tx_is_off = true;
    line->riding = cut == CUT_RIDES;
    if (line->riding) {
        text_copy(line->rode, sizeof line->rode, text);
        return cut;
    }
    line->resyncing = line->then_ask = false;
    begin(line, text, false, now_us);
    return cut;
}

bool line_unsay(struct line *line)
{
    if (line->phase != LINE_BUSY || line->tx_sent > 0 || line->tx_len == 0 || line->tx_is_off || line->in_message)
        return false;
    clear_tx(line);
    end_with(line, LINE_NOTHING);
    return true;
}

static void ask_want(struct line *line, int64_t now_us)
{
    put(line, line->said, message_end(line->dialect));
    line->phase = LINE_BUSY;
    line->expects = true;
    line->echo_seen = false;
    line->then_ask = false;
    line->said_us = now_us;
    line->asked_us = NEVER_US;
    clear_rx(line);
    set_deadline(line, now_us);
}

void line_resync(struct line *line, const char *text, const char *want, bool at_once, int64_t now_us)
{
    clear_tx(line);
    put_spoil(line);
    clear_rx(line);
    line->unknown = line->resyncing = true;
    line->then_ask = text != NULL;
    text_copy(line->said, sizeof line->said, text ? text : "");
    text_copy(line->want, sizeof line->want, want ? want : "");
    line->drained_from_us = line->heard_us = now_us;
    line->phase = LINE_DRAINING;
    if (text && at_once)
        ask_want(line, now_us);
}

static enum line_event synced(struct line *line)
{
    line->unknown = false;
    return end_with(line, LINE_SYNCED);
}

/* ---- bytes out ---- */

static enum line_event all_sent(struct line *line, int64_t now_us)
{
    if (line->phase == LINE_DRAINING) {
        line->heard_us = now_us; /* quiet counts from the last byte out */
        return LINE_NOTHING;
    }
    if (line->phase != LINE_BUSY)
        return LINE_NOTHING;
    set_deadline(line, now_us);
    if (line->expects || manner(line)->echo)
        return LINE_NOTHING;
    return end_with(line, LINE_DONE);
}

enum line_event line_sent(struct line *line, size_t len, int64_t now_us)
{
    size_t left = line->tx_len - line->tx_sent;
    if (len > left)
        len = left;
    if (len == 0)
        return LINE_NOTHING;
    if (line->phase == LINE_BUSY && line->asked_us == NEVER_US) {
        line->asked_us = now_us;
        line->early_us = now_us + travel_us(line, line->tx_len) * 9 / 10;
    }
    line->tx_sent += len;
    unsigned char last = line->tx[line->tx_sent - 1];
    line->in_message = last != '\n' && last != '\r';
    /* "\r" of "\r\n" ends nothing, but the "\n" behind it executes nothing either: spoiled all the same */
    if (manner(line)->message_end == END_CR_LF && last == '\r')
        line->in_message = true;
    if (line->tx_sent < line->tx_len)
        return LINE_NOTHING;
    bool rode = line->riding;
    clear_tx(line);
    if (rode && line->phase == LINE_BUSY)
        return LINE_NOTHING; /* the deadline of the pending answer stays */
    return all_sent(line, now_us);
}

/* ---- bytes in ---- */

static bool is_end(const struct line *line, unsigned char byte)
{
    switch (manner(line)->answer_end) {
    case END_LF:
    case END_CR_LF:
        return byte == '\n';
    case END_CR:
        return byte == '\r';
    case END_ANY:
    case LINE_ENDS:
        break;
    }
    return byte == '\n' || byte == '\r';
}

/* A whole line stands in rx: false if its end isn't whole, or it was too long, or it holds what no text holds. */
static bool close_text(struct line *line)
{
    bool whole = !line->rx_over && !line->rx_bad;
    if (manner(line)->answer_end == END_CR_LF) {
        whole = whole && line->rx_len > 0 && line->rx[line->rx_len - 1] == '\r';
        if (whole)
            line->rx_len--;
    }
    line->rx[line->rx_len] = '\0';
    return whole && !memchr(line->rx, '\r', line->rx_len);
}

static bool is_echo(struct line *line, const char *text)
{
    if (!manner(line)->echo || !text[0])
        return false;
    bool out = line->asked_us != NEVER_US &&
               (line->tx_len == 0 || line->riding); /* else it's the echo of the same text said before */
    if (line->phase == LINE_BUSY && out && strcmp(text, line->said) == 0) {
        line->echo_seen = true;
        return true;
    }
    return strcmp(text, line->said) == 0 || strcmp(text, line->rode) == 0 || strcmp(text, manner(line)->spoil) == 0;
}

static enum line_event text_in_resync(struct line *line, bool whole, int64_t now_us)
{
    bool wanted = whole && line->phase == LINE_BUSY && line->asked_us != NEVER_US && line->want[0] &&
                  strcmp(line->rx, line->want) == 0;
    size_t len = line->rx_len;
    clear_rx(line);
    if (!wanted)
        return LINE_NOTHING;
    /* A predicted answer shows whether the line takes the time its baud rate says: USB instruments often don't. */
    line->paced = line->baud > 0 && now_us - line->asked_us >= travel_us(line, strlen(line->said) + len) * 9 / 10;
    return synced(line);
}

static enum line_event text_heard(struct line *line, int64_t now_us)
{
    bool whole = close_text(line);
    if (line->resyncing)
        return text_in_resync(line, whole, now_us);
    if (!whole)
        return astray(line);
    if (is_echo(line, line->rx)) {
        clear_rx(line);
        return line->phase == LINE_BUSY && line->echo_seen && !line->expects ? end_with(line, LINE_DONE) : LINE_NOTHING;
    }
    if (line->phase != LINE_BUSY || !line->expects || line->asked_us == NEVER_US || (line->tx_len && !line->riding) ||
        (manner(line)->echo && !line->echo_seen) || (line->paced && now_us < line->early_us))
        return astray(line);
    memcpy(line->answer, line->rx, line->rx_len + 1);
    return end_with(line, LINE_ANSWERED);
}

/* Bytes while nothing is asked can't be an answer. Echoes may still come; they are judged when they are whole. */
static bool nobody_asked(const struct line *line)
{
    return !line->resyncing && !manner(line)->echo &&
           (line->phase == LINE_FREE || line->asked_us == NEVER_US || !line->expects);
}

enum line_event line_hear(struct line *line, unsigned char byte, int64_t now_us)
{
    line->heard_us = now_us;
    if (line->phase == LINE_BUSY && now_us > line->deadline_us)
        return line_tick(line, now_us);
    if (manner(line)->answer_end == END_ANY && line->rx_len == 0 && is_end(line, byte))
        return LINE_NOTHING;
    if (nobody_asked(line))
        return astray(line);
    if (is_end(line, byte))
        return text_heard(line, now_us);
    if ((byte < 0x20 && byte != '\r') || byte > 0x7e)
        line->rx_bad = true;
    if (line->rx_len >= (size_t)manner(line)->longest_answer || line->rx_len >= ANSWER_SIZE)
        line->rx_over = true; /* all of it up to its end is dropped: half an answer must never pass for one */
    else
        line->rx[line->rx_len++] = (char)byte;
    return LINE_NOTHING;
}

/* ---- time ---- */

enum { DRAIN_AT_MOST = 10 /* quiet times */ };

static int64_t drained_us(const struct line *line)
{
    return line->heard_us + manner(line)->quiet_us;
}

static int64_t babbled_us(const struct line *line)
{
    return line->drained_from_us + DRAIN_AT_MOST * manner(line)->quiet_us;
}

enum line_event line_tick(struct line *line, int64_t now_us)
{
    if (line->phase == LINE_DRAINING) {
        if (now_us >= drained_us(line)) {
            if (!line->then_ask)
                return synced(line);
            ask_want(line, now_us);
        } else if (now_us >= babbled_us(line)) {
            return end_with(line, LINE_NOT_SYNCED);
        }
        return LINE_NOTHING;
    }
    if (line->phase == LINE_BUSY && now_us >= line->deadline_us)
        return end_with(line, line->resyncing ? LINE_NOT_SYNCED : LINE_TIMED_OUT);
    return LINE_NOTHING;
}

int64_t line_due_us(const struct line *line)
{
    if (line->phase == LINE_DRAINING)
        return drained_us(line) < babbled_us(line) ? drained_us(line) : babbled_us(line);
    return line->phase == LINE_BUSY ? line->deadline_us : NEVER_US;
}
