#include "client/report/report.h"

#include <math.h>
#include <string.h>
#include <time.h>

static void volts_cell(char *to, size_t size, const struct judged_point *point)
{
    if (point->count)
        snprintf(to, size, "%.3f V", point->volts);
    else
        snprintf(to, size, "-");
}

static void capacity_cell(char *to, size_t size, const struct judged_contract *c)
{
    if (!c->searched || !isfinite(c->capacity_amps))
        snprintf(to, size, "-");
    else if (c->capped)
        snprintf(to, size, "≥ %.2f A", c->capacity_amps);
    else
        snprintf(to, size, "%.2f ± %.3f A", c->capacity_amps, c->capacity_u);
}

static void percent_cell(char *to, size_t size, double percent, const char *format_sign)
{
    if (isfinite(percent))
        snprintf(to, size, "%s%.1f %%", percent > 0.0 ? format_sign : "", percent);
    else
        snprintf(to, size, "-");
}

static int columns_of(const char *text, size_t len)
{
    int columns = 0;
    for (size_t i = 0; i < len; i++)
        columns += ((unsigned char)text[i] & 0xc0) != 0x80;
    return columns;
}

/* Pads to the right edge by columns, not bytes: ± and ≥ are one column and several bytes. */
static void right(FILE *to, const char *text, int columns)
{
    int used = columns_of(text, strlen(text));
    fprintf(to, "%*s%s", columns > used ? columns - used : 0, "", text);
}

static void row(FILE *to, const struct judged_contract *c, bool searched)
{
    char cell[40];
    fprintf(to, "%5.4g V %5.2f A", c->rated_volts, c->rated_amps);
    volts_cell(cell, sizeof cell, &c->no_load);
    right(to, cell, 10);
    volts_cell(cell, sizeof cell, &c->rated);
    right(to, cell, 10);
    percent_cell(cell, sizeof cell, c->regulation_percent, "");
    right(to, cell, 8);
    if (searched) {
        capacity_cell(cell, sizeof cell, c);
        right(to, cell, 16);
        percent_cell(cell, sizeof cell, c->margin_percent, c->capped ? "≥ +" : "+");
        right(to, cell, 10);
    }
    fprintf(to, "  %s%s\n", verdict_name(c->verdict), c->weak ? " *" : "");
}

static void how_it_let_go(FILE *to, const struct judged_contract *c)
{
    if (!c->let_go)
        return;
    fprintf(to, "%5.4g V lets go: %s", c->rated_volts, c->how < FINDING_KINDS ? finding_kind_name(c->how) : "not named");
    if (c->came_back)
        fprintf(to, "; comes back: %s", rung_name(c->rung));
    fputs("\n", to);
}

static void heading(FILE *to, const struct judge *judge, int port, bool searched)
{
    fprintf(to, "\nPort %s\n", judge_plan(judge)->supply.ports[port].name);
    fprintf(to, "contract          no load at rating  regul.%s  verdict\n", searched ? "        capacity    margin" : "");
}

static bool any_search(const struct judged_contract *contracts, size_t count, int port)
{
    for (size_t i = 0; i < count; i++)
        if (contracts[i].port == port && contracts[i].searched)
            return true;
    return false;
}

/* Broken at spaces, so that a sentence can be read in a terminal of 80 columns. */
void report_wrapped(FILE *to, const char *text)
{
    int column = 0;
    while (*text) {
        size_t len = strcspn(text, " ");
        int wide = columns_of(text, len);
        if (column && column + 1 + wide > 79) {
            fputs("\n ", to);
            column = 1;
        }
        fprintf(to, "%s%.*s", column ? " " : "", (int)len, text);
        column += wide + (column ? 1 : 0);
        text += len + (text[len] == ' ');
    }
    fputs("\n", to);
}

static void why_not(FILE *to, const struct judge *judge, const struct judged_contract *contracts, size_t count)
{
    bool weak = false;
    for (size_t i = 0; i < count; i++) {
        char sentence[SENTENCE_SIZE + 160];
        snprintf(sentence, sizeof sentence, "%s at %.4g V, %s: %s", judge_plan(judge)->supply.ports[contracts[i].port].name, contracts[i].rated_volts,
                 verdict_name(contracts[i].verdict), contracts[i].why);
        if (contracts[i].verdict != VERDICT_PASS && contracts[i].why[0])
            report_wrapped(to, sentence);
        weak |= contracts[i].weak;
    }
    if (weak)
        fputs("* weak check: the measurement's uncertainty exceeds a quarter of the tolerance\n", to);
}

static void proof_line(FILE *to, const struct judged_contract *contracts, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (contracts[i].reached && contracts[i].proof != PROOF_CONTRACT) {
            fputs("Contracts are proved by voltage only: the selector states no object and amps.\n", to);
            return;
        }
}

/* A verdict speaks of what was tested; what the label promises besides is named. */
static void not_measured(FILE *to, const struct judge *judge)
{
    const struct test_plan *plan = judge_plan(judge);
    for (size_t port = 0; port < plan->supply.ports_len; port++) {
        size_t chosen = 0, all = plan->supply.ports[port].contracts_len;
        for (size_t c = 0; c < all; c++)
            chosen += plan->contract_chosen[port][c] && plan_seat_of_port(plan, (int)port) >= 0;
        if (chosen == 0)
            fprintf(to, "Not tested: port %s\n", plan->supply.ports[port].name);
        else if (chosen < all)
            fprintf(to, "Not tested: %zu of the %zu contracts of port %s\n", all - chosen, all, plan->supply.ports[port].name);
    }
    if (plan->supply.combinations_len)
        fprintf(to, "Not tested: ports together (%zu combinations on the label)\n", plan->supply.combinations_len);
}

void report_table(FILE *to, const struct judge *judge, const struct report_head *head)
{
    const struct judged_contract *contracts;
    size_t count = judge_contracts(judge, &contracts);
    char when[32];
    time_t second = (time_t)(head->wall_ms / 1000);
    struct tm local;
    localtime_r(&second, &local);
    strftime(when, sizeof when, "%Y-%m-%d %H:%M", &local);
    char line[SENTENCE_SIZE * 2];
    snprintf(line, sizeof line, "run %s, %s, %.0f s, %s%s%s", head->id, when, head->duration_s, head->end, head->why[0] ? ": " : "", head->why);
    fprintf(to, "%s\n", head->title);
    report_wrapped(to, line);
    for (int port = 0; port < PORTS_MAX; port++) {
        bool searched = any_search(contracts, count, port), headed = false;
        for (size_t i = 0; i < count; i++) {
            if (contracts[i].port != port)
                continue;
            if (!headed)
                heading(to, judge, port, searched);
            headed = true;
            row(to, &contracts[i], searched);
        }
        for (size_t i = 0; i < count; i++)
            if (contracts[i].port == port)
                how_it_let_go(to, &contracts[i]);
    }
    fputs("\n", to);
    why_not(to, judge, contracts, count);
    proof_line(to, contracts, count);
    not_measured(to, judge);
    if (strcmp(head->end, "done") != 0)
        fprintf(to, "Verdict: incomplete, the run was not done (%s); of what was measured: %s\n", head->end, verdict_name(judge_verdict(judge)));
    else
        fprintf(to, "Verdict: %s (guard band: U, k = 2, from the bench file's accuracy)\n", verdict_name(judge_verdict(judge)));
}
