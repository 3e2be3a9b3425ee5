/* IEEE 488.2 and SCPI status of one address: event registers, error queue. PURE. */
#ifndef BRUNT_SIM_SCPI_STATUS_H
#define BRUNT_SIM_SCPI_STATUS_H

#include <stdbool.h>
#include <stddef.h>

enum { ERROR_QUEUE_MAX = 16, ERROR_DETAIL_MAX = 80 };

enum esr_bit {
    ESR_OPC = 1,
    ESR_RQC = 2,
    ESR_QYE = 4,
    ESR_DDE = 8,
    ESR_EXE = 16,
    ESR_CME = 32,
    ESR_URQ = 64,
    ESR_PON = 128
};
enum stb_bit { STB_ERRORS = 4, STB_QUESTIONABLE = 8, STB_MAV = 16, STB_ESB = 32, STB_MSS = 64, STB_OPERATION = 128 };

struct status_error {
    int number;
    char detail[ERROR_DETAIL_MAX];
};

struct status_register { /* OPERation, QUEStionable */
    unsigned condition, event, enable;
};

struct status {
    unsigned esr, ese, sre;
    struct status_register operation, questionable;
    struct status_error queue[ERROR_QUEUE_MAX]; /* oldest first */
    size_t queued;
};

void status_power_on(struct status *status); /* everything cleared, PON set */
void status_clear(struct status *status);    /* *CLS */
void status_preset(struct status *status);   /* STATus:PRESet: enables to 0 */

/* Sets the event bit that belongs to the number's hundred and queues it; detail (NULL: none) is cleaned of quotes and
 * unprintable bytes and cut. A full queue keeps its older entries: the newest becomes -350 and what follows is lost
 * until one was read. */
void status_error(struct status *status, int number, const char *detail, size_t detail_len);

/* Oldest error out of the queue; number 0 if there is none. */
struct status_error status_next(struct status *status);
void status_condition(struct status_register *reg, unsigned condition); /* rising bits become events */
unsigned status_byte(const struct status *status, bool answer_waits);
const char *status_text(int number); /* the standard's words; NULL: no such number */

#endif
