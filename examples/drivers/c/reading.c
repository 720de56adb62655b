/* What comes in, by the schema: fields of the frame in `json`, whole or not at all (L2). */
#include "driver.h"
#include <stdio.h>

struct json json;

bool read_word(int of, const char *key, char *into, int least, int most) {
    int i = json_get(&json, of, key);
    if (i < 0 || json.value[i].kind != J_STRING) return false;
    if (json.value[i].length < least || json.value[i].length > most) return false;
    snprintf(into, (size_t)most + 1, "%.*s", json.value[i].length, json.value[i].text);
    return true;
}

static bool flag(int of, const char *key, bool *into, bool needed) {
    int i = json_get(&json, of, key);
    *into = i >= 0 && json.value[i].kind == J_TRUE;
    return i < 0 ? !needed : json.value[i].kind == J_TRUE || json.value[i].kind == J_FALSE;
}

bool read_limits(int at, struct limits *l) {
    for (int w = 0; w < 2; w++) {
        int i = json_get(&json, at, WHEEL[w]);
        struct wheel_limits *x = &l->wheel[w];
        x->low_rpm = json_double(&json, i, "low_rpm"), x->high_rpm = json_double(&json, i, "high_rpm");
        x->up_rpm_per_s = json_double(&json, i, "up_rpm_per_s");
        x->down_rpm_per_s = json_double(&json, i, "down_rpm_per_s");
        x->quick_rpm_per_s = json_double(&json, i, "quick_rpm_per_s");
        bool rates = x->up_rpm_per_s > 0 && x->down_rpm_per_s > 0 && x->quick_rpm_per_s > 0;
        if (isnan(x->low_rpm + x->high_rpm) || !rates) return false;
    }
    int i = json_get(&json, at, "tilt");
    l->tilt_low = json_double(&json, i, "low_deg"), l->tilt_high = json_double(&json, i, "high_deg");
    l->tilt_slew = json_double(&json, i, "slew_deg_per_s"), l->tilts = i >= 0;
    return i < 0 || (!isnan(l->tilt_low + l->tilt_high) && l->tilt_slew > 0);
}

bool read_setpoint(struct target *t) {
    int at = json_get(&json, 0, "feeds"), tilt = json_get(&json, 0, "tilt");
    bool agitator;
    t->at_s = json_double(&json, 0, "at_s"), t->until_s = json_double(&json, 0, "until_s");
    t->epoch = json_count(&json, 0, "epoch"), t->seq = json_count(&json, 0, "seq");
    for (int w = 0; w < 2; w++) {
        int i = json_get(&json, 0, WHEEL[w]);
        t->rpm[w] = json_double(&json, i, "rpm"), t->ramp[w] = json_double(&json, i, "ramp_rpm_per_s");
        if (isnan(t->rpm[w]) || !(t->ramp[w] > 0)) return false;
    }
    t->tilt_deg = json_double(&json, tilt, "deg"), t->slew = json_double(&json, tilt, "slew_deg_per_s");
    t->tilts = tilt >= 0;
    if (t->tilts && (isnan(t->tilt_deg) || !(t->slew > 0))) return false;
    if (at >= 0 && json.value[at].kind != J_LIST) return false;
    for (int i = at + 1; at >= 0 && i < json.value[at].after; i = json.value[i].after, t->feeds++) {
        struct feed f = {json_count(&json, i, "id"), json_double(&json, i, "at_s")};
        if (f.id < 0 || !(f.at_s >= 0)) return false;
        if (t->feeds < 8) t->feed[t->feeds] = f;
    }
    if (!flag(0, "feeding", &t->feeding, true) || !flag(0, "agitator", &agitator, false)) return false;
    return t->at_s >= 0 && t->until_s >= 0 && t->epoch >= 0 && t->seq >= 0;
}
