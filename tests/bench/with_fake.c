#include "with_fake.h"

#include "daemon/base/units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void fake_start(struct fake *fake, enum fake_shape shape)
{
    memset(fake, 0, sizeof *fake);
    fake->shape = shape;
    fake->identity = "BRUNT-SIM,load1,0,1";
    fake->supply_volts = 9.0;
    fake->selected = 1;
    fake->esr = 128;
    fake->attached = fake->mains = true;
    strcpy(fake->mode, shape == FAKE_STANDARD ? "CURR" : shape == FAKE_TERSE ? "I" : "CC");
}

size_t fake_count(const struct fake *fake, const char *line)
{
    size_t count = 0;
    for (size_t i = 0; i < fake->log_len; i++)
        count += strcmp(fake->log[i], line) == 0;
    return count;
}

static void say(struct fake *fake, const char *format, ...)
{
    size_t len = strlen(fake->answer);
    va_list args;
    if (len)
        fake->answer[len++] = ';';
    va_start(args, format);
    vsnprintf(fake->answer + len, sizeof fake->answer - len, format, args);
    va_end(args);
}

static void say_number(struct fake *fake, double value, int decimals)
{
    if (fake->shape == FAKE_LATE)
        say(fake, "%.5E", value);
    else
        say(fake, "%.*f", fake->shape == FAKE_TERSE ? 3 : decimals, value);
}

static double amps_now(const struct fake *fake, int n)
{
    return fake->on[n] || fake->stuck_on ? (fake->stuck_on && !fake->on[n] ? 1.0 : fake->amps[n]) : 0.0;
}

static void turn(struct fake *fake, int n, bool on)
{
    if (on && (fake->ignores_on || fake->trips))
        fake->errors = -221;
    else
        fake->on[n] = on;
}

static void all_off(struct fake *fake)
{
    memset(fake->on, 0, sizeof fake->on);
}

static void vary(struct fake *fake, int n)
{
    if (!fake->varies)
        return;
    fake->supply_volts = 5.0 + (double)(fake->measured++ % 97) * 0.023;
    fake->amps[n] = fake->supply_volts / 4.0;
}

static bool measure(struct fake *fake, int n, char what)
{
    if (what == 'V')
        vary(fake, n);
    fake->said_amps = amps_now(fake, n);
    if (fake->force_answer) {
        say(fake, "%s", fake->force_answer);
        fake->force_answer = NULL;
    } else {
        say_number(fake, what == 'V' ? fake->supply_volts : amps_now(fake, n), 4);
    }
    return true;
}

/* Rows of what one header does; n is its number or 1, `value` its text or NULL for a query. */
static bool obey_number(struct fake *fake, double *at, const char *value)
{
    if (value)
        *at = atof(value);
    else
        say_number(fake, *at, 4);
    return true;
}

static bool obey_word(struct fake *fake, char *at, size_t size, const char *value)
{
    if (value)
        snprintf(at, size, "%s", value);
    else
        say(fake, "%s", at);
    return true;
}

static bool obey_input(struct fake *fake, int n, const char *value)
{
    if (value)
        turn(fake, n, strcmp(value, "ON") == 0 || strcmp(value, "1") == 0);
    else
        say(fake, "%d", fake->on[n] || fake->stuck_on);
    return true;
}

static bool obey_trips(struct fake *fake, bool clear)
{
    if (clear)
        fake->trips = 0;
    else
        say(fake, "%d", fake->trips);
    return true;
}

static bool obey_common(struct fake *fake, const char *header, const char *value)
{
    if (strcmp(header, "*IDN?") == 0) {
        say(fake, "%s", fake->identity);
    } else if (strcmp(header, "*ESE") == 0) {
        fake->ese = atoi(value);
    } else if (strcmp(header, "*ESE?") == 0) {
        say(fake, "%d", fake->ese);
    } else if (strcmp(header, "*ESR?") == 0) {
        say(fake, "%d", fake->esr);
        fake->esr = 0;
    } else if (strcmp(header, "*CLS") == 0) {
        fake->errors = fake->esr = 0;
    } else if (strcmp(header, "SYST:ERR?") == 0) {
        if (fake->errors)
            say(fake, "%d,\"Settings conflict\"", fake->errors);
        else
            say(fake, "0,\"No error\"");
        fake->errors = 0;
    } else {
        return false;
    }
    return true;
}

/* `key` has its number taken out: "MEAS:VOLT?" of "MEAS2:VOLT?". */
static bool obey_standard(struct fake *fake, const char *key, int n, const char *value)
{
    if (strcmp(key, "INP") == 0 || strcmp(key, "INP?") == 0)
        return obey_input(fake, n, value);
    if (strcmp(key, "INP:ALL") == 0) {
        all_off(fake);
        return true;
    }
    if (strncmp(key, "INP:PROT:", 9) == 0)
        return obey_trips(fake, key[9] == 'C');
    if (strcmp(key, "INST:NSEL") == 0) {
        fake->selected = atoi(value);
        return true;
    }
    if (strcmp(key, "INST:NSEL?") == 0) {
        say(fake, "%d", fake->selected);
        return true;
    }
    if (strncmp(key, "FUNC", 4) == 0)
        return obey_word(fake, fake->mode, sizeof fake->mode, value);
    if (strcmp(key, "MEAS:VOLT?") == 0 || strcmp(key, "MEAS:CURR?") == 0)
        return measure(fake, n, key[5]);
    if (strcmp(key, "CURR") == 0 || strcmp(key, "CURR?") == 0)
        return obey_number(fake, &fake->amps[n], value);
    if (strcmp(key, "VOLT") == 0 || strcmp(key, "VOLT?") == 0)
        return obey_number(fake, &fake->volts, value);
    if (strncmp(key, "VOLT:PROT:UND", 13) == 0)
        return obey_number(fake, &fake->under_volts, value);
    if (strncmp(key, "VOLT:PROT", 9) == 0)
        return obey_number(fake, &fake->over_volts, value);
    if (strncmp(key, "CURR:PROT", 9) == 0)
        return obey_number(fake, &fake->over_amps, value);
    if (strncmp(key, "POW:PROT", 8) == 0)
        return obey_number(fake, &fake->over_watts, value);
    if (strncmp(key, "SYST:COMM:TIM", 13) == 0)
        return obey_number(fake, &fake->timeout, value);
    return false;
}

static bool obey_other(struct fake *fake, const char *key, const char *value)
{
    if (strcmp(key, "CONT:SEL") == 0) {
        const char *comma = strchr(value, ',');
        fake->selected_volts = fake->supply_volts = atof(value);
        fake->selected_amps = comma ? atof(comma + 1) : 0.0;
    } else if (strcmp(key, "CONT:SEL?") == 0) {
        say(fake, "%.3f,%.3f", fake->selected_volts, fake->selected_amps);
    } else if (strcmp(key, "CONT:SETT?") == 0) {
        say(fake, "1");
    } else if (strcmp(key, "CONT:CAT?") == 0) {
        say(fake, "5.000,5.000,3.000,9.000,9.000,3.000");
    } else if (strcmp(key, "CONT:CABL?") == 0) {
        say(fake, "5.000");
    } else if (strcmp(key, "CONT:ATT") == 0) {
        fake->attached = strcmp(value, "ON") == 0;
    } else if (strcmp(key, "CONT:ATT?") == 0) {
        say(fake, "%d", fake->attached);
    } else if (strcmp(key, "OUTP") == 0) {
        fake->mains = strcmp(value, "ON") == 0;
    } else if (strcmp(key, "OUTP?") == 0) {
        say(fake, "%d", fake->mains);
    } else if (strcmp(key, "MEAS:TEMP?") == 0) {
        say(fake, fake->celsius_nan ? "31.50,9.91E37" : "31.50,42.25");
    } else {
        return false;
    }
    return true;
}

static bool obey_terse(struct fake *fake, const char *key, int n, const char *value)
{
    static const char numbers[] = "IOCUV"; /* kept apart below */
    (void)numbers;
    if (strcmp(key, "ID?") == 0)
        say(fake, "%s", fake->identity);
    else if (strcmp(key, "E?") == 0)
        say(fake, "%d", fake->errors), fake->errors = 0;
    else if (strcmp(key, "X") == 0)
        all_off(fake);
    else if (strcmp(key, "L") == 0 || strcmp(key, "L?") == 0)
        return obey_input(fake, n, value);
    else if (strcmp(key, "B") == 0 || strcmp(key, "B?") == 0)
        return obey_word(fake, fake->mode, sizeof fake->mode, value);
    else if (strcmp(key, "I") == 0 || strcmp(key, "I?") == 0)
        return obey_number(fake, &fake->amps[n], value);
    else if (strcmp(key, "U") == 0 || strcmp(key, "U?") == 0)
        return obey_number(fake, &fake->volts, value);
    else if (strcmp(key, "V?") == 0 || strcmp(key, "A?") == 0)
        return measure(fake, n, key[0]);
    else if (strncmp(key, "OV", 2) == 0)
        return obey_number(fake, &fake->over_volts, value);
    else if (strncmp(key, "OC", 2) == 0)
        return obey_number(fake, &fake->over_amps, value);
    else if (strncmp(key, "OP", 2) == 0)
        return obey_number(fake, &fake->over_watts, value);
    else if (strncmp(key, "UV", 2) == 0)
        return obey_number(fake, &fake->under_volts, value);
    else if (strcmp(key, "Q?") == 0 || strcmp(key, "K") == 0)
        return obey_trips(fake, key[0] == 'K');
    else
        return false;
    return true;
}

static bool both(struct fake *fake, int n)
{
    vary(fake, n);
    fake->said_amps = amps_now(fake, n);
    if (fake->force_answer)
        say(fake, "%s", fake->force_answer);
    else
        say(fake, "%.5E,%.5E", fake->supply_volts, fake->said_amps);
    fake->force_answer = NULL;
    return true;
}

static bool obey_late(struct fake *fake, const char *key, int n, const char *value)
{
    if (strcmp(key, "ABS") == 0 || strcmp(key, "ABS?") == 0)
        return obey_input(fake, n, value);
    if (strcmp(key, "ABS:ALL") == 0)
        all_off(fake);
    else if (strcmp(key, "CHAN") == 0)
        fake->selected = atoi(value);
    else if (strcmp(key, "CHAN?") == 0)
        say(fake, "%d", fake->selected);
    else if (strncmp(key, "REG", 3) == 0)
        return obey_word(fake, fake->mode, sizeof fake->mode, value);
    else if (strncmp(key, "LEV:CURR", 8) == 0)
        return obey_number(fake, &fake->amps[n], value);
    else if (strcmp(key, "READ:BOTH?") == 0)
        return both(fake, n);
    else if (strcmp(key, "READ:VOLT?") == 0 || strcmp(key, "READ:CURR?") == 0)
        return measure(fake, n, key[5]);
    else if (strncmp(key, "GUAR:VOLT", 9) == 0)
        return obey_number(fake, &fake->over_volts, value);
    else if (strncmp(key, "GUAR:CURR", 9) == 0)
        return obey_number(fake, &fake->over_amps, value);
    else if (strncmp(key, "GUAR:POW", 8) == 0)
        return obey_number(fake, &fake->over_watts, value);
    else if (strncmp(key, "GUAR:FLO", 8) == 0)
        return obey_number(fake, &fake->under_volts, value);
    else if (strncmp(key, "GUAR:TRIP", 9) == 0 || strncmp(key, "GUAR:CLE", 8) == 0)
        return obey_trips(fake, key[5] == 'C');
    else if (strncmp(key, "LINK:TIM", 8) == 0)
        return obey_number(fake, &fake->timeout, value);
    else
        return false;
    return true;
}

/* One message unit with its full path; the channel's number is in its first word. */
static void obey_unit(struct fake *fake, const char *unit)
{
    char key[100];
    int n = fake->shape == FAKE_TERSE ? 1 : fake->selected;
    size_t len = 0;
    const char *value = strchr(unit, ' ');
    for (const char *c = unit; *c && *c != ' ' && len + 1 < sizeof key; c++) {
        if (*c >= '0' && *c <= '9')
            n = *c - '0';
        else
            key[len++] = *c;
    }
    key[len] = '\0';
    value = value ? value + 1 : NULL;
    if (n < 1 || n > FAKE_CHANNELS) {
        fake->errors = -114;
        return;
    }
    bool known =
        (fake->shape != FAKE_TERSE && obey_common(fake, key, value)) ||
        (fake->shape == FAKE_STANDARD && (obey_standard(fake, key, n, value) || obey_other(fake, key, value))) ||
        (fake->shape == FAKE_TERSE && obey_terse(fake, key, n, value)) ||
        (fake->shape == FAKE_LATE && obey_late(fake, key, n, value));
    if (!known)
        fake->errors = -113;
}

/* The path rule, written here a second time. */
static void obey_line(struct fake *fake, char *line)
{
    char path[100] = "", whole[300];
    if (fake->shape == FAKE_TERSE && strchr(line, ';')) {
        fake->errors = 1;
        return;
    }
    for (char *next = line; next;) {
        char *unit = next;
        next = strchr(unit, ';');
        if (next)
            *next++ = '\0';
        if (*unit == '*') {
            obey_unit(fake, unit);
            continue;
        }
        snprintf(whole, sizeof whole, "%s%s", *unit == ':' ? "" : path, *unit == ':' ? unit + 1 : unit);
        size_t header = strcspn(whole, " ?"), cut = 0;
        for (size_t i = 0; i < header; i++)
            if (whole[i] == ':')
                cut = i + 1;
        snprintf(path, sizeof path, "%.*s", (int)cut, whole);
        obey_unit(fake, whole);
    }
}

bool fake_hear(struct fake *fake, char byte)
{
    fake->answer[0] = '\0';
    if (byte != '\n') {
        if (fake->input_len + 1 < sizeof fake->input)
            fake->input[fake->input_len++] = byte;
        return false;
    }
    fake->input[fake->input_len] = '\0';
    fake->input_len = 0;
    if (strpbrk(fake->input, "!\x7f")) {
        fake->dropped++;
        return true;
    }
    if (!fake->input[0] || fake->dead)
        return true;
    if (fake->log_len == FAKE_LOG) /* the newer half stays */
        memmove(fake->log, fake->log + FAKE_LOG / 2, (fake->log_len = FAKE_LOG / 2) * sizeof fake->log[0]);
    snprintf(fake->log[fake->log_len++], sizeof fake->log[0], "%s", fake->input);
    obey_line(fake, fake->input);
    return true;
}

/* ---- the play ---- */

struct dialect *dialect_named(const char *name, struct tree **ret_tree)
{
    char path[500];
    struct error err = ERROR_INIT;
    snprintf(path, sizeof path, "%s/profiles/dialects/%s.cfg", SOURCE_DIR, name);
    *ret_tree = tree_read_file(path, &err);
    struct dialect *dialect = *ret_tree ? dialect_read(*ret_tree, &err) : NULL;
    if (!dialect)
        fail_msg("%s", err.text);
    return dialect;
}

static const char *const shape_words[] = {"standard", "terse", "late"};

static void add_instrument(struct play *play, struct bench_setup *setup, const char *role)
{
    char name[60];
    size_t i = setup->instruments_len++;
    snprintf(name, sizeof name, "%s-%s", shape_words[play->fake.shape], role);
    play->dialects[i] = dialect_named(name, &play->trees[i]);
    struct bench_setup_instrument *at = &setup->instruments[i];
    snprintf(at->name, sizeof at->name, "%s1", role);
    at->dialect = play->dialects[i];
    at->max_volts = 60.0;
    at->max_amps = 10.0;
    at->max_watts = 150.0;
    at->communications_timeout_us = 20 * US_PER_S;
}

void play_start_with(struct play *play, enum fake_shape shape, int with, int channels)
{
    struct bench_setup setup = {.mains = -1, .tolerate_silence_us = US_PER_S, .seed = 7};
    struct error err = ERROR_INIT;
    memset(play, 0, sizeof *play);
    fake_start(&play->fake, shape);
    play->delay_us = shape == FAKE_LATE ? 80000 : 2000;
    play->now_us = 1000000;
    play->random = 1;
    add_instrument(play, &setup, "load");
    if (with >= 1)
        add_instrument(play, &setup, "selector");
    if (with >= 2) {
        add_instrument(play, &setup, "mains");
        add_instrument(play, &setup, "thermometer");
        setup.mains = 2;
        setup.probes_len = 2;
        setup.probes[0] = (struct bench_setup_probe){3, 1};
        setup.probes[1] = (struct bench_setup_probe){3, 2};
    }
    for (int i = 0; i < channels; i++)
        setup.seats[setup.seats_len++] = (struct bench_setup_seat){
            .load = 0, .channel = i + 1, .selector = with && i == 0 ? 1 : -1, .selector_channel = 1};
    play->bench = bench_new(&setup, &err);
    if (!play->bench)
        fail_msg("%s", err.text);
}

void play_start(struct play *play, enum fake_shape shape)
{
    play_start_with(play, shape, 0, 1);
}

void play_end(struct play *play)
{
    bench_free(play->bench);
    for (size_t i = 0; i < 4; i++) {
        dialect_free(play->dialects[i]);
        tree_free(play->trees[i]);
    }
}

static const char *answer_end(struct play *play)
{
    if (play->fake.shape == FAKE_STANDARD)
        return "\n";
    play->random = play->random * 6364136223846793005u + 1442695040888963407u;
    return play->fake.shape == FAKE_TERSE || (play->random >> 40) % 2 ? "\r\n" : "\n\r";
}

static void queue(struct play *play, const char *text, const char *end)
{
    char bytes[600];
    size_t len = (size_t)snprintf(bytes, sizeof bytes, "%s%s", text, end);
    if (play->mangle)
        len = play->mangle(play, bytes, len, sizeof bytes);
    if (play->out_len + len > sizeof play->out)
        len = 0;
    if (len && !play->out_len)
        play->out_due_us = play->now_us + play->delay_us + (int64_t)len * play->wire_us;
    memcpy(play->out + play->out_len, bytes, len);
    play->out_len += len;
}

static void arrive(struct play *play, char byte)
{
    char echo[400];
    size_t len = play->fake.input_len;
    memcpy(echo, play->fake.input, len);
    echo[len] = '\0';
    if (play->deaf || !fake_hear(&play->fake, byte))
        return;
    if (play->fake.shape == FAKE_LATE && !play->fake.dead)
        queue(play, echo, "\n");
    if (play->fake.answer[0])
        queue(play, play->fake.answer, answer_end(play));
}

bool play_write(struct play *play, size_t at_most)
{
    size_t len;
    const char *bytes = bench_pending(play->bench, 0, &len);
    if (at_most && len > at_most)
        len = at_most;
    if (!len)
        return false;
    char copy[1024];
    memcpy(copy, bytes, len);
    if (play->sent_len + len < sizeof play->sent) {
        memcpy(play->sent + play->sent_len, copy, len);
        play->sent_len += len;
    }
    bench_sent(play->bench, 0, len, play->now_us);
    for (size_t i = 0; i < len; i++)
        arrive(play, copy[i]);
    return true;
}

void play_collect(struct play *play)
{
    struct outcome outcome;
    struct finding finding;
    struct reading reading;
    while (bench_next_outcome(play->bench, &outcome))
        play->outcome_log[play->outcomes++ % 256] = outcome;
    while (bench_next_finding(play->bench, &finding))
        play->finding_log[play->findings++ % 256] = finding;
    while (bench_next_reading(play->bench, &reading)) {
        play->readings++;
        play->reading = reading;
        if (play->on_reading)
            play->on_reading(play, &reading);
    }
}

static void deliver(struct play *play)
{
    char bytes[8192];
    size_t len = play->out_len;
    memcpy(bytes, play->out, len);
    play->out_len = 0;
    bench_bytes(play->bench, 0, bytes, len, play->now_us);
}

void play_turn(struct play *play)
{
    play_collect(play);
    if (play_write(play, play->write_at_most))
        return;
    int64_t due = bench_due_us(play->bench);
    if (play->out_len && play->out_due_us <= due) {
        play->now_us = play->out_due_us > play->now_us ? play->out_due_us : play->now_us;
        deliver(play);
    } else {
        play->now_us = due == NEVER_US ? play->now_us + 100000 : due > play->now_us ? due : play->now_us + 1;
        bench_tick(play->bench, play->now_us);
    }
    play_collect(play);
}

void play_run(struct play *play, int64_t for_us)
{
    int64_t end = play->now_us + for_us;
    for (size_t turns = 0; play->now_us < end; turns++) {
        if (turns > 2000000)
            fail_msg("the bench turns round and round at one moment");
        play_turn(play);
    }
}

void play_up(struct play *play)
{
    char why[300];
    bench_line_up(play->bench, 0, play->now_us);
    int64_t end = play->now_us + 20 * US_PER_S;
    while (!bench_ready(play->bench, why, sizeof why)) {
        if (play->now_us > end)
            fail_msg("not ready: %s", why);
        play_turn(play);
    }
    play_collect(play);
}

void play_order(struct play *play, struct order order)
{
    bench_order(play->bench, &order, play->now_us);
    play_collect(play);
}

const struct outcome *play_outcome(const struct play *play, enum order_kind kind)
{
    for (size_t i = play->outcomes; i > 0; i--)
        if (play->outcome_log[(i - 1) % 256].kind == kind)
            return &play->outcome_log[(i - 1) % 256];
    return NULL;
}

const struct finding *play_finding(const struct play *play, enum finding_kind kind)
{
    for (size_t i = play->findings; i > 0; i--)
        if (play->finding_log[(i - 1) % 256].kind == kind)
            return &play->finding_log[(i - 1) % 256];
    return NULL;
}
