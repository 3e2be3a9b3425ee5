/* The drill: asked for by a client, watched at each pass, answered when it is through. */
#include "daemon/process/process.h"

static void drill_wants(void *context, bool armed)
{
    struct daemon *d = context;
    arming_want(d->arming, armed);
}

static void end_drill(struct daemon *d, json_t *result)
{
    static const struct error no_memory = {ERROR_MEMORY, "no memory for the drill's report"};
    drill_free(d->drill);
    d->drill = NULL;
    process_answer(d, d->drill_ticket, result, &no_memory);
}

void drills_watch(struct daemon *d)
{
    json_t *result = NULL;
    bool passed, mains;
    if (!d->drill || !drill_tick(d->drill, pump_now_us(), &result, &passed, &mains))
        return;
    d->drilled = passed && !d->options.no_guard;
    d->mains_drilled = mains;
    end_drill(d, result);
}

json_t *drills_start(void *context, const struct serve_who *who, const json_t *params, struct error *err)
{
    struct daemon *d = context;
    const struct drill_does does = {d, drill_wants, !d->options.no_guard};
    if (runs_may_start(d, err) < 0)
        return NULL;
    if (!arming_is_down(d->arming)) {
        error_set(err, ERROR_BUSY, "the guard is still armed, since an off has not been confirmed: see `brunt bench`");
        return NULL;
    }
    if (!(d->drill_ticket = serve_defer(d->serve, err)))
        return NULL;
    d->drill = drill_new(d->station, &d->bench, &does, json_is_true(json_object_get(params, "mains")), pump_now_us());
    if (!d->drill)
        end_drill(d, NULL);
    tell(d->say, TELL_NOTICE, "drill asked for by %s", who->name);
    process_pass(d);
    return NULL;
}
