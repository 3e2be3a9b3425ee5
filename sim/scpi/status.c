#include "sim/scpi/status.h"

#include <ctype.h>
#include <string.h>

/* SCPI-1999 volume 2, SYSTem:ERRor: those that this simulator can come to, and the class heads. */
static const struct {
    int number;
    const char *text;
} texts[] = {
    {0, "No error"},
    {-100, "Command error"},
    {-101, "Invalid character"},
    {-102, "Syntax error"},
    {-103, "Invalid separator"},
    {-104, "Data type error"},
    {-108, "Parameter not allowed"},
    {-109, "Missing parameter"},
    {-110, "Command header error"},
    {-111, "Header separator error"},
    {-112, "Program mnemonic too long"},
    {-113, "Undefined header"},
    {-114, "Header suffix out of range"},
    {-121, "Invalid character in number"},
    {-123, "Exponent too large"},
    {-124, "Too many digits"},
    {-128, "Numeric data not allowed"},
    {-131, "Invalid suffix"},
    {-134, "Suffix too long"},
    {-138, "Suffix not allowed"},
    {-151, "Invalid string data"},
    {-168, "Block data not allowed"},
    {-171, "Invalid expression"},
    {-200, "Execution error"},
    {-221, "Settings conflict"},
    {-222, "Data out of range"},
    {-223, "Too much data"},
    {-224, "Illegal parameter value"},
    {-240, "Hardware error"},
    {-300, "Device-specific error"},
    {-350, "Queue overflow"},
    {-363, "Input buffer overrun"},
    {-365, "Time out error"},
    {-400, "Query error"},
    {-410, "Query INTERRUPTED"},
    {-420, "Query UNTERMINATED"},
    {-430, "Query DEADLOCKED"},
    {-440, "Query UNTERMINATED after indefinite response"},
};

const char *status_text(int number)
{
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        if (texts[i].number == number)
            return texts[i].text;
    return NULL;
}

void status_power_on(struct status *status)
{
    memset(status, 0, sizeof *status);
    status->esr = ESR_PON;
}

void status_clear(struct status *status)
{
    status->esr = 0;
    status->operation.event = status->questionable.event = 0;
    status->queued = 0;
}

void status_preset(struct status *status)
{
    status->operation.enable = status->questionable.enable = 0;
}

static unsigned event_of(int number)
{
    static const unsigned by_hundred[] = {0, ESR_CME, ESR_EXE, ESR_DDE, ESR_QYE, ESR_PON, ESR_URQ, ESR_RQC, ESR_OPC};
    size_t hundred = number < 0 ? (size_t)(-number / 100) : 3; /* positive numbers are the device's own */
    return hundred < sizeof by_hundred / sizeof by_hundred[0] ? by_hundred[hundred] : 0;
}

static void copy_detail(char to[ERROR_DETAIL_MAX], const char *detail, size_t len)
{
    size_t at = 0;
    for (size_t i = 0; detail && i < len && at + 1 < ERROR_DETAIL_MAX; i++)
        if (isprint((unsigned char)detail[i]) && detail[i] != '"')
            to[at++] = detail[i];
    to[at] = '\0';
}

void status_error(struct status *status, int number, const char *detail, size_t detail_len)
{
    struct status_error *entry;
    status->esr |= event_of(number);
    if (status->queued == ERROR_QUEUE_MAX) {
        entry = &status->queue[ERROR_QUEUE_MAX - 1];
        number = -350;
        detail = NULL;
        status->esr |= event_of(number);
    } else {
        entry = &status->queue[status->queued++];
    }
    entry->number = number;
    copy_detail(entry->detail, detail, detail_len);
}

struct status_error status_next(struct status *status)
{
    struct status_error oldest = {0, ""};
    if (status->queued == 0)
        return oldest;
    oldest = status->queue[0];
    status->queued--;
    memmove(status->queue, status->queue + 1, status->queued * sizeof status->queue[0]);
    return oldest;
}

void status_condition(struct status_register *reg, unsigned condition)
{
    reg->event |= condition & ~reg->condition;
    reg->condition = condition;
}

unsigned status_byte(const struct status *status, bool answer_waits)
{
    unsigned byte = 0;
    byte |= status->queued ? STB_ERRORS : 0;
    byte |= status->questionable.event & status->questionable.enable ? STB_QUESTIONABLE : 0;
    byte |= answer_waits ? STB_MAV : 0;
    byte |= status->esr & status->ese ? STB_ESB : 0;
    byte |= status->operation.event & status->operation.enable ? STB_OPERATION : 0;
    return byte | (byte & status->sre & ~(unsigned)STB_MSS ? STB_MSS : 0);
}
