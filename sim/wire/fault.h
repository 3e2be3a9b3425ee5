/* Faults of one wire: which are in force, and what they do to an answer. PURE. */
#ifndef BRUNT_SIM_WIRE_FAULT_H
#define BRUNT_SIM_WIRE_FAULT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum wire_fault {
    WIRE_STALE,
    WIRE_NAN,
    WIRE_OVER_RANGE,
    WIRE_CORRUPT,
    WIRE_TRUNCATE,
    WIRE_MERGE,
    WIRE_GARBAGE,
    WIRE_DUPLICATE,
    WIRE_DELAY,
    WIRE_DROP,
    WIRE_SILENCE,
    WIRE_HANG_UP,
    WIRE_FAULTS
};

enum { WIRE_LINE_MAX = 2048, WIRE_FOR_EVER = -1 };

struct wire_faults {
    long left[WIRE_FAULTS]; /* answers still to be struck; 0 not in force, WIRE_FOR_EVER until told off */
    double delay_ms;
    uint64_t random;
    char stale[WIRE_LINE_MAX]; /* the previous answer as the instrument gave it */
    size_t stale_len;
};

struct wire_line { /* an answer with its line end, struck in place */
    char text[4 * WIRE_LINE_MAX];
    size_t len;
    int64_t delay_us;
};

const char *wire_fault_name(enum wire_fault fault);
bool wire_fault_is_of_answers(enum wire_fault fault); /* false: of the line itself, can't be counted */
void wire_strike(struct wire_faults *faults, struct wire_line *line);
void wire_faults_off(struct wire_faults *faults);

#endif
