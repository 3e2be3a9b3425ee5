#include "client/report/report.h"

#include <math.h>
#include <string.h>
#include <time.h>

static void volts_cell(char *to, size_t size, const struct judged_point *point)
{
    if (point->count)
        snprintf(to, size, "%7.3f V", point->volts);
    else
        snprintf(to, size, "%9s", "-");
}

static void capacity_cell(char *to, size_t size, const struct judged_contract *c)
{
    if (!c->searched || !isfinite(c->capacity_amps))
        snprintf(to, size, "%15s", "-");
    else if (c->capped)
        snprintf(to, size, "≥ %11.2f A", c->capacity_amps);
    else
        snprintf(to, size, "%5.2f ± %.3f A", c->capacity_amps, c->capacity_u);
}

static void percent_cell(char *to, size_t size, double percent, const char *format_sign)
{
    if (isfinite(percent))
        snprintf(to, size, "%s%.1f %%", percent > 0.0 ? format_sign : "", percent);
    else
        snprintf(to, size, "-");
}

static void row(FILE *to, const struct judged_contract *c, bool searched)
{
    char no_load[24], rated[24], regulation[24], capacity[40], margin[24];
    volts_cell(no_load, sizeof no_load, &c->no_load);
    volts_cell(rated, sizeof rated, &c->rated);
    percent_cell(regulation, sizeof regulation, c->regulation_percent, "");
    capacity_cell(capacity, sizeof capacity, c);
    percent_cell(margin, sizeof margin, c->margin_percent, c->capped ? "≥ +" : "+");
    fprintf(to, "%5.4g V %5.2f A %s %s %7s", c->rated_volts, c->rated_amps, no_load, rated, regulation);
    if (searched) {
        int wide = (int)strlen(margin) - (strncmp(margin, "≥", strlen("≥")) == 0 ? 2 : 0); /* ≥ is one column, three bytes */
        fprintf(to, "  %s %*s%s", capacity, wide < 8 ? 8 - wide : 0, "", margin);
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
    fprintf(to, "contract          no load  at rating  regul.%s  verdict\n", searched ? "         capacity   margin" : "");
}

static bool any_search(const struct judged_contract *contracts, size_t count, int port)
{
    for (size_t i = 0; i < count; i++)
        if (contracts[i].port == port && contracts[i].searched)
            return true;
    return false;
}

static void why_not(FILE *to, const struct judge *judge, const struct judged_contract *contracts, size_t count)
{
    bool weak = false;
    for (size_t i = 0; i < count; i++) {
        if (contracts[i].verdict != VERDICT_PASS && contracts[i].why[0])
            fprintf(to, "%s at %.4g V, %s: %s\n", judge_plan(judge)->supply.ports[contracts[i].port].name, contracts[i].rated_volts,
                    verdict_name(contracts[i].verdict), contracts[i].why);
        weak |= contracts[i].weak;
    }
    if (weak)
        fputs("* weak check: the measurement's uncertainty exceeds a quarter of the tolerance\n", to);
}

static void proof_line(FILE *to, const struct judged_contract *contracts, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (contracts[i].reached && contracts[i].proof != PROOF_CONTRACT) {
            fputs("Contracts marked by voltage only: the selector doesn't state object, amps and cable.\n", to);
            return;
        }
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
    fprintf(to, "%s\nrun %s, %s, %.0f s, %s%s%s\n", head->title, head->id, when, head->duration_s, head->end, head->why[0] ? ": " : "", head->why);
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
    fprintf(to, "Verdict: %s (guard band = expanded uncertainty, k = 2, from the bench file's accuracy)\n", verdict_name(judge_verdict(judge)));
}
