/* The words by which files and messages name things. */
#include "daemon/plan/plan_own.h"

const char *const instrument_role_words[ROLES] = {[ROLE_LOAD] = "load",
                                                  [ROLE_SELECTOR] = "selector",
                                                  [ROLE_THERMOMETER] = "thermometer",
                                                  [ROLE_MAINS] = "mains",
                                                  [ROLE_METER] = "meter"};
const char *const link_kind_words[LINK_KINDS] = {
    [LINK_SERIAL] = "serial", [LINK_PTY] = "pty", [LINK_TCP] = "tcp", [LINK_MEMORY] = "memory"};
const char *const connector_words[CONNECTORS] = {
    [CONNECTOR_USB_C] = "usb-c", [CONNECTOR_USB_A] = "usb-a", [CONNECTOR_BARREL] = "barrel", [CONNECTOR_TERMINALS] = "terminals"};
const char *const stage_kind_words[STAGE_KINDS] = {
    [STAGE_IDLE] = "idle",         [STAGE_STEP] = "step",   [STAGE_RAMP] = "ramp",       [STAGE_HOLD] = "hold",
    [STAGE_CAPACITY] = "capacity", [STAGE_TRACE] = "trace", [STAGE_RECOVER] = "recover", [STAGE_SOAK] = "soak"};
const char *const on_trip_words[ON_TRIPS] = {
    [ON_TRIP_STOP] = "stop", [ON_TRIP_WATCH] = "watch", [ON_TRIP_NEXT] = "next", [ON_TRIP_RELOAD] = "reload"};
const char *const rung_words[RUNGS] = {[RUNG_WAIT] = "wait",
                                       [RUNG_REQUEST] = "request",
                                       [RUNG_DETACH] = "detach",
                                       [RUNG_MAINS] = "mains",
                                       [RUNG_OPERATOR] = "operator"};

static const char *word(const char *const *words, size_t count, unsigned i)
{
    return i < count ? words[i] : "unknown";
}

const char *instrument_role_name(enum instrument_role role)
{
    return word(instrument_role_words, ROLES, role);
}

const char *link_kind_name(enum link_kind kind)
{
    return word(link_kind_words, LINK_KINDS, kind);
}

const char *connector_name(enum connector connector)
{
    return word(connector_words, CONNECTORS, connector);
}

const char *stage_kind_name(enum stage_kind kind)
{
    return word(stage_kind_words, STAGE_KINDS, kind);
}

const char *on_trip_name(enum on_trip on_trip)
{
    return word(on_trip_words, ON_TRIPS, on_trip);
}
