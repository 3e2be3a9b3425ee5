#include "client/report/report.h"

#include <math.h>

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *point_json(const struct judged_point *p)
{
    if (!p->count)
        return json_null();
    return json_pack("{s:o, s:o, s:o, s:o, s:o, s:I}", "fraction_of_rated", number(p->fraction), "amps", number(p->amps), "amps_u", number(p->amps_u),
                     "volts", number(p->volts), "volts_u", number(p->volts_u), "readings", (json_int_t)p->count);
}

static json_t *points_json(const struct judged_point *points, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, point_json(&points[i]));
    return list;
}

static json_t *capacity_json(const struct judged_contract *c)
{
    if (!c->searched)
        return json_null();
    return json_pack("{s:o, s:o, s:b, s:o}", "amps", number(c->capacity_amps), "amps_u", number(c->capacity_u), "at_least", c->capped,
                     "margin_percent", number(c->margin_percent));
}

static json_t *fit_json(const struct judged_contract *c)
{
    if (!c->fit.count)
        return json_null();
    return json_pack("{s:o, s:o, s:o}", "open_circuit_volts", number(c->fit.intercept), "output_ohms", number(-c->fit.slope), "output_ohms_u",
                     number(2.0 * c->fit.slope_u));
}

static json_t *contract_json(const struct judge *judge, const struct judged_contract *c)
{
    static const char *const proofs[] = {"none", "voltage only", "contract"};
    return json_pack(
        "{s:s, s:f, s:f, s:f, s:f, s:b, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:s, s:o, s:o, s:s?, s:s?, s:s, s:s, s:b}", "port",
        judge_plan(judge)->supply.ports[c->port].name, "rated_volts", c->rated_volts, "rated_amps", c->rated_amps, "low_volts", c->low_volts,
        "high_volts", c->high_volts, "reached", c->reached, "settling_s", number(c->settling_s), "selection_proof", proofs[c->proof], "no_load",
        point_json(&c->no_load), "at_rating", point_json(&c->rated), "points", points_json(c->points, c->points_len), "line", fit_json(c),
        "regulation_percent", number(c->regulation_percent), "regulation_basis", "nominal", "capacity", capacity_json(c), "trace",
        points_json(c->trace, c->trace_len), "lets_go", c->let_go && c->how < FINDING_KINDS ? finding_kind_name(c->how) : NULL, "comes_back",
        c->came_back ? rung_name(c->rung) : NULL, "verdict", verdict_name(c->verdict), "why", c->why, "weak", c->weak);
}

json_t *report_json(const struct judge *judge, const struct report_head *head)
{
    const struct judged_contract *contracts;
    size_t count = judge_contracts(judge, &contracts);
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, contract_json(judge, &contracts[i]));
    return json_pack("{s:s, s:s, s:s, s:s, s:I, s:f, s:s, s:s, s:s, s:o}", "run", head->id, "title", head->title, "end", head->end, "why", head->why,
                     "wall_ms", (json_int_t)head->wall_ms, "duration_s", head->duration_s, "record", head->path, "decision_rule",
                     "guard band w = U, k = 2", "verdict", verdict_name(judge_verdict(judge)), "contracts", list);
}
