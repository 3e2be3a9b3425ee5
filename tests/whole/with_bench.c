#include "tests/whole/with_bench.h"

#include "daemon/base/text.h"

/* ---- files ---- */

static void must(bool good, const struct error *err)
{
    if (!good)
        fail_msg("%s", err->text);
}

static struct tree *tree_of(const char *folder, const char *file, const char *name, const char *text)
{
    char path[512];
    struct error err = ERROR_INIT;
    snprintf(path, sizeof path, "%s/%s/%s", SOURCE_DIR, folder, file ? file : "");
    struct tree *tree = file ? tree_read_file(path, &err) : tree_read_text(name, text, &err);
    must(tree != NULL, &err);
    return tree;
}

/* The bench of profiles/bench-demo.cfg over memory links, with a load that shows what it is worth. */
static void bench_text(const struct whole_setup *s, char *to, size_t size)
{
    char line[64] = "";
    if (s->baud)
        snprintf(line, sizeof line, "line = { baud = %d; }; ", s->baud);
    to[0] = '\0';
    text_add(to, size,
             "bench = { name = \"whole\"; instruments = (\n"
             "{ name = \"load1\"; role = \"load\"; link = \"memory:load1\"; %sdialect = \"%s\"; channels = 1;\n"
             "  ratings = { max_volts = 60.0; max_amps = 15.0; max_watts = 150.0; min_volts = 1.0; constant_voltage_mode = %s; constant_resistance_mode = true; };\n"
             "  accuracy = { volts = { percent_of_reading = 0.05; percent_of_range = 0.02; }; amps = { percent_of_reading = 0.1; percent_of_range = 0.05; }; };\n"
             "  communications_timeout = \"5 s\"; }",
             line, s->shape, s->no_constant_voltage ? "false" : "true");
    if (!s->no_selector)
        text_add(to, size, ",\n{ name = \"selector1\"; role = \"selector\"; link = \"memory:selector1\"; %sdialect = \"%s\"; }", line, s->shape);
    if (!s->no_mains)
        text_add(to, size, ",\n{ name = \"mains1\"; role = \"mains\"; link = \"memory:mains1\"; %sdialect = \"%s\"; }", line, s->shape);
    text_add(to, size,
             ",\n{ name = \"thermo1\"; role = \"thermometer\"; link = \"memory:thermo1\"; %sdialect = \"%s\"; channels = 8; accuracy = { kelvin = 1.5; }; }\n);\n"
             "seats = ( { name = \"A\"; load = \"load1\"; channel = 1; %slead = { sense = \"four-wire\"; max_volts = 60.0; max_amps = 10.0; };",
             line, s->shape, s->no_selector ? "" : "selector = \"selector1\"; ");
    text_add(to, size, " cable_amps = %d; } );\nprobes = ( { name = \"case\"; place = \"case, top face\"; thermometer = \"thermo1\"; channel = 6; } );\n%s};\n",
             s->cable_amps, s->no_mains ? "" : "mains = \"mains1\"; ");
}

static void sim_text(const struct whole_setup *s, char *to, size_t size)
{
    static const char *const roles[] = {"load", "selector", "mains", "thermometer"};
    static const char *const names[] = {"load1", "selector1", "mains1", "thermo1"};
    to[0] = '\0';
    if (s->world_file)
        text_add(to, size, "sim = { world_file = \"%s\"; addresses = (\n", s->world_file);
    else
        text_add(to, size, "sim = { world = { %s };\naddresses = (\n", s->world_text);
    for (size_t i = 0; i < 4; i++)
        text_add(to, size, "{ name = \"%s\"; role = \"%s\"; shape = \"%s\"; baud = %d; }%s\n", names[i], roles[i], s->shape, s->baud, i < 3 ? "," : "");
    text_add(to, size, "); };\n");
}

static struct dialect *dialect_of(const char *name, const char *role)
{
    char file[160];
    struct error err = ERROR_INIT;
    snprintf(file, sizeof file, "%s-%s.cfg", name, role);
    struct tree *tree = tree_of("profiles/dialects", file, NULL, NULL);
    struct dialect *dialect = dialect_read(tree, &err);
    must(dialect != NULL, &err);
    tree_free(tree);
    return dialect;
}

static void make_plan(struct whole *w, const struct whole_setup *s)
{
    struct error err = ERROR_INIT;
    struct supply_plan *supply = calloc(1, sizeof *supply);
    struct profile_plan *profile = calloc(1, sizeof *profile);
    struct tree *label = tree_of("profiles", s->supply_file, "supply", s->supply_text), *what = tree_of("profiles", s->profile_file, "profile", s->profile_text);
    assert_true(supply && profile);
    must(supply_plan_read(label, supply, &err) == 0 && profile_plan_read(what, profile, &err) == 0, &err);
    test_plan_make(&w->bench, supply, profile, &w->plan);
    w->plan.seed = s->seed;
    for (size_t i = 0; i < supply->ports[0].contracts_len && s->only_volts > 0; i++)
        w->plan.contract_chosen[0][i] = supply->ports[0].contracts[i].volts == s->only_volts;
    must(s->no_refusal || plan_check(&w->plan, &err) == 0, &err);
    tree_free(label);
    tree_free(what);
    free(supply);
    free(profile);
}

static void make_bench(struct whole *w, const struct whole_setup *s)
{
    static char text[8192]; /* a test is one thread */
    struct error err = ERROR_INIT;
    bench_text(s, text, sizeof text);
    struct tree *tree = tree_read_text("bench", text, &err);
    must(tree && bench_plan_read(tree, &w->bench, &err) == 0, &err);
    tree_free(tree);
    for (size_t i = 0; i < w->bench.instruments_len; i++)
        w->dialects[i] = dialect_of(w->bench.instruments[i].dialect, instrument_role_name(w->bench.instruments[i].role));
    sim_text(s, text, sizeof text);
    tree = tree_read_text("sim", text, &err);
    must(tree != NULL, &err);
    const struct dialect *dialects[INSTRUMENTS_MAX] = {0};
    for (size_t i = 0; i < w->bench.instruments_len; i++)
        dialects[i] = w->dialects[i];
    w->rehearsal = rehearsal_new(&w->bench, dialects, tree, SOURCE_DIR "/profiles/sim", s->seed, &err);
    must(w->rehearsal != NULL, &err);
    tree_free(tree);
}

struct whole *whole_new(const struct whole_setup *setup)
{
    struct error err = ERROR_INIT;
    struct whole *w = calloc(1, sizeof *w);
    assert_non_null(w);
    w->readings.size = sizeof(struct reading);
    w->orders.size = sizeof(struct order);
    w->outcomes.size = sizeof(struct outcome);
    w->findings.size = sizeof(struct finding);
    w->marks.size = sizeof(struct mark);
    make_bench(w, setup);
    make_plan(w, setup);
    must(rehearsal_settle(w->rehearsal, &err) == 0, &err);
    return w;
}

void whole_free(struct whole *w)
{
    judge_free(w->judge);
    rehearsal_free(w->rehearsal);
    for (size_t i = 0; i < w->bench.instruments_len; i++)
        dialect_free(w->dialects[i]);
    struct whole_list *lists[] = {&w->readings, &w->orders, &w->outcomes, &w->findings, &w->marks};
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++)
        free(lists[i]->items);
    free(w);
}

/* ---- keeping ---- */

static bool add(struct whole_list *list, const void *item)
{
    if (list->len == list->room) {
        list->room = list->room ? 2 * list->room : 256;
        list->items = realloc(list->items, list->room * list->size);
        assert_non_null(list->items);
    }
    memcpy((char *)list->items + list->len++ * list->size, item, list->size);
    return true;
}

static bool keep_reading(void *context, const struct reading *reading)
{
    return add(&((struct whole *)context)->readings, reading);
}

static bool keep_order(void *context, int64_t at_us, const struct order *order)
{
    struct whole *w = context;
    (void)at_us;
    if (w->at_order)
        w->at_order(w, order);
    return add(&w->orders, order);
}

static bool keep_outcome(void *context, const struct outcome *outcome)
{
    return add(&((struct whole *)context)->outcomes, outcome);
}

static bool keep_finding(void *context, const struct finding *finding)
{
    return add(&((struct whole *)context)->findings, finding);
}

static bool keep_mark(void *context, const struct mark *mark)
{
    struct whole *w = context;
    if (w->at_mark)
        w->at_mark(w, mark);
    return add(&w->marks, mark);
}

/* ---- running ---- */

void whole_start(struct whole *w)
{
    struct error err = ERROR_INIT;
    const struct station_keep keep = {w, keep_reading, keep_order, keep_outcome, keep_finding, keep_mark};
    w->begin_us = rehearsal_now_us(w->rehearsal);
    must(rehearsal_start(w->rehearsal, &w->plan, &keep, &err) == 0, &err);
}

bool whole_go(struct whole *w, int64_t longest_us)
{
    bool over = rehearsal_go(w->rehearsal, w->begin_us + longest_us);
    struct run *run = station_run(rehearsal_station(w->rehearsal));
    w->end_us = rehearsal_now_us(w->rehearsal);
    return run_over(run, &w->end, w->why, sizeof w->why) && over;
}

void whole_run(struct whole *w, int64_t longest_us)
{
    whole_start(w);
    if (!whole_go(w, longest_us)) {
        whole_print(w);
        fail_msg("the run is not over after %.0f s", (double)longest_us * 1e-6);
    }
    whole_judge(w);
}

void whole_judge(struct whole *w)
{
    struct error err = ERROR_INIT;
    w->judge = judge_new(&w->plan, &err);
    must(w->judge != NULL, &err);
    for WHOLE_EACH (struct mark, mark, w->marks)
        judge_mark(w->judge, mark);
    for WHOLE_EACH (struct finding, finding, w->findings)
        judge_finding(w->judge, finding);
    for WHOLE_EACH (struct outcome, outcome, w->outcomes)
        if (outcome->kind == ORDER_SELECT && outcome->state != OUTCOME_FAILED)
            judge_proof(w->judge, outcome->port, outcome->contract, outcome->proof);
    for WHOLE_EACH (struct reading, reading, w->readings)
        judge_reading(w->judge, reading);
    judge_end(w->judge, run_end_name(w->end));
}

void whole_strike(struct whole *w, int64_t after_us, const char *line)
{
    struct error err = ERROR_INIT;
    must(rehearsal_fault(w->rehearsal, rehearsal_now_us(w->rehearsal) + after_us, line, &err) == 0, &err);
}

/* ---- looking ---- */

struct world *whole_world(struct whole *w)
{
    return sim_world(rehearsal_sim(w->rehearsal));
}

bool whole_conducts(struct whole *w)
{
    for (size_t i = 0; i < world_channels(whole_world(w)); i++)
        if (world_load_conducts(whole_world(w), i))
            return true;
    return false;
}

double whole_seconds(const struct whole *w)
{
    return (double)(w->end_us - w->begin_us) * 1e-6;
}

const struct judged_contract *whole_contract(const struct whole *w, double volts)
{
    const struct judged_contract *contracts;
    size_t count = judge_contracts(w->judge, &contracts);
    for (size_t i = 0; i < count; i++)
        if (contracts[i].port == 0 && contracts[i].rated_volts == volts)
            return &contracts[i];
    fail_msg("no judged contract of %g V", volts);
    return NULL;
}

const struct finding *whole_finding(const struct whole *w, enum finding_kind kind)
{
    for WHOLE_EACH (struct finding, finding, w->findings)
        if (finding->kind == kind && !finding->over)
            return finding;
    return NULL;
}

size_t whole_count(const struct whole *w, enum finding_kind kind)
{
    size_t count = 0;
    for WHOLE_EACH (struct finding, finding, w->findings)
        count += finding->kind == kind && !finding->over;
    return count;
}

bool whole_says(const struct whole *w, const char *words)
{
    for WHOLE_EACH (struct finding, finding, w->findings)
        if (strstr(finding->text, words))
            return true;
    return strstr(w->why, words) != NULL;
}

void whole_print(const struct whole *w)
{
    const struct mark *mark = w->marks.items;
    const struct finding *finding = w->findings.items;
    size_t m = 0, f = 0;
    while (m < w->marks.len || f < w->findings.len) {
        bool is_mark = f == w->findings.len || (m < w->marks.len && mark[m].at_us <= finding[f].at_us);
        if (is_mark) {
            fprintf(stderr, "%9.3f s  %-12s stage %d contract %d set-point %.3f number %.3f %s %s\n", (double)(mark[m].at_us - w->begin_us) * 1e-6, mark_kind_name(mark[m].kind),
                    mark[m].stage, mark[m].contract, mark[m].set_point, mark[m].number, mark[m].held ? "held" : "", mark[m].text);
            m++;
        } else {
            fprintf(stderr, "%9.3f s  %-12s %s: %s%s\n", (double)(finding[f].at_us - w->begin_us) * 1e-6, severity_name(finding[f].severity), finding_kind_name(finding[f].kind),
                    finding[f].over ? "(over) " : "", finding[f].text);
            f++;
        }
    }
    fprintf(stderr, "%9.3f s  %s: %s (%zu readings)\n", whole_seconds(w), run_end_name(w->end), w->why, w->readings.len);
}

/* ---- digest: FNV-1a over the fields, since padding says nothing ---- */

static void mix(uint64_t *hash, const void *bytes, size_t len)
{
    for (size_t i = 0; i < len; i++)
        *hash = (*hash ^ ((const unsigned char *)bytes)[i]) * 0x100000001b3u;
}

static void mix_number(uint64_t *hash, double number)
{
    mix(hash, &number, sizeof number);
}

uint64_t whole_digest(const struct whole *w)
{
    uint64_t hash = 0xcbf29ce484222325u;
    for WHOLE_EACH (struct reading, r, w->readings) {
        mix(&hash, &r->at_us, sizeof r->at_us);
        mix(&hash, &r->asked_us, sizeof r->asked_us);
        mix(&hash, &r->quality, sizeof r->quality);
        mix_number(&hash, r->volts);
        mix_number(&hash, r->amps);
        mix_number(&hash, r->set_point);
    }
    for WHOLE_EACH (struct finding, f, w->findings) {
        mix(&hash, &f->at_us, sizeof f->at_us);
        mix(&hash, f->text, strlen(f->text));
    }
    for WHOLE_EACH (struct mark, m, w->marks) {
        mix(&hash, &m->at_us, sizeof m->at_us);
        mix(&hash, &m->kind, sizeof m->kind);
        mix_number(&hash, m->set_point);
    }
    for WHOLE_EACH (struct outcome, o, w->outcomes) {
        mix(&hash, &o->at_us, sizeof o->at_us);
        mix(&hash, o->text, strlen(o->text));
    }
    return hash;
}
