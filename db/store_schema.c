/* Rules:
 *  - A step, once released, is never changed; a change is a new step.
 *  - Every table is STRICT; times are integer microseconds UTC; values are SI.
 *  - 'Never edited, only superseded' is kept by triggers, so that it also binds a person with a
 *    general SQLite tool. REPLACE would go round a delete trigger on a connection without
 *    recursive_triggers, so the tables of evidence have an insert trigger against it. 'reading'
 *    has none, for it would cost a third of the speed of storing.
 *  - reading.raw is an INTEGER, to be divided by channel.divisor, whenever the number is a whole
 *    multiple of 1/divisor (nearly always: instruments send decimals); a REAL is the number
 *    itself; NULL is unknown. The view 'measured' shows it as a number, with its value and unit.
 *  - reading.mark names what was in force (mark table: calibration, range, flags), numbered from
 *    0 per channel, so that the usual state takes no room in the row. */
#include "db/store_schema.h"

#include <stdio.h>

static const char step_1[] =
    "CREATE TABLE instrument(\n"
    "  id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, driver TEXT NOT NULL,\n"
    "  identity TEXT, port TEXT, remark TEXT) STRICT;\n"
    "CREATE TABLE channel(\n"
    "  id INTEGER PRIMARY KEY, instrument INTEGER NOT NULL REFERENCES instrument(id),\n"
    "  name TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL, raw_unit TEXT,\n"
    "  divisor REAL NOT NULL CHECK(divisor > 0), resolution REAL,\n"
    "  UNIQUE(instrument, name)) STRICT;\n"
    "CREATE TABLE calibration(\n"
    "  id INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel(id),\n"
    "  time INTEGER NOT NULL, gain REAL NOT NULL, offset REAL NOT NULL, shunt REAL,\n"
    "  shunt_tolerance REAL, lead_null REAL, remark TEXT) STRICT;\n"
    "CREATE INDEX calibration_by_channel ON calibration(channel, time);\n"
    "CREATE TABLE accuracy(\n"
    "  calibration INTEGER NOT NULL REFERENCES calibration(id), position INTEGER NOT NULL,\n"
    "  range REAL, fraction REAL NOT NULL, absolute REAL NOT NULL,\n"
    "  PRIMARY KEY(calibration, position)) STRICT, WITHOUT ROWID;\n"
    "CREATE TABLE mark(\n"
    "  channel INTEGER NOT NULL REFERENCES channel(id), mark INTEGER NOT NULL,\n"
    "  calibration INTEGER REFERENCES calibration(id), flags INTEGER NOT NULL, range REAL,\n"
    "  PRIMARY KEY(channel, mark)) STRICT, WITHOUT ROWID;\n"
    "CREATE TABLE reading(\n"
    "  channel INTEGER NOT NULL, time INTEGER NOT NULL, raw ANY, mark INTEGER NOT NULL,\n"
    "  PRIMARY KEY(channel, time)) STRICT, WITHOUT ROWID;\n"
    "CREATE VIEW measured AS\n"
    "  SELECT r.channel, i.name || '.' || c.name AS name, r.time,\n"
    "    strftime('%Y-%m-%d %H:%M:%f', r.time / 1000000.0, 'unixepoch') AS utc,\n"
    "    CASE typeof(r.raw) WHEN 'integer' THEN r.raw / c.divisor ELSE r.raw END AS raw,\n"
    "    (CASE typeof(r.raw) WHEN 'integer' THEN r.raw / c.divisor ELSE r.raw END\n"
    "      * coalesce(k.gain, 1) + coalesce(k.offset, 0)) / coalesce(k.shunt, 1)\n"
    "      - coalesce(k.lead_null, 0) AS value,\n"
    "    c.unit, m.flags, m.range, m.calibration\n"
    "  FROM reading r JOIN channel c ON c.id = r.channel JOIN instrument i ON i.id = c.instrument\n"
    "    JOIN mark m ON m.channel = r.channel AND m.mark = r.mark\n"
    "    LEFT JOIN calibration k ON k.id = m.calibration;\n"
#define ROLLUP(name)                                                                               \
    "CREATE TABLE rollup_" name "(\n"                                                              \
    "  channel INTEGER NOT NULL, start INTEGER NOT NULL, n INTEGER NOT NULL,\n"                    \
    "  unknown INTEGER NOT NULL, flags INTEGER NOT NULL, min REAL, mean REAL, max REAL,\n"         \
    "  first REAL, last REAL, first_after INTEGER, last_after INTEGER, squares REAL NOT NULL,\n"   \
    "  PRIMARY KEY(channel, start)) STRICT, WITHOUT ROWID;\n"
    ROLLUP("minute") ROLLUP("hour") ROLLUP("day")
#undef ROLLUP
        "CREATE TABLE retention(\n"
        "  id INTEGER PRIMARY KEY CHECK(id = 1), raw_before INTEGER NOT NULL) STRICT;\n"
        "INSERT INTO retention VALUES(1, 0);\n"
        "CREATE TABLE event(\n"
        "  id INTEGER PRIMARY KEY, time INTEGER NOT NULL, monotonic INTEGER,\n"
        "  instrument INTEGER REFERENCES instrument(id), kind TEXT NOT NULL, text TEXT NOT NULL)\n"
        "  STRICT;\n"
        "CREATE INDEX event_by_time ON event(time);\n"
        "CREATE TABLE coil(\n"
        "  id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, kind TEXT, batch TEXT,\n"
        "  time INTEGER NOT NULL, remark TEXT) STRICT;\n"
        "CREATE TABLE design(\n"
        "  id INTEGER PRIMARY KEY, coil INTEGER NOT NULL REFERENCES coil(id),\n"
        "  version INTEGER NOT NULL, time INTEGER NOT NULL, text TEXT NOT NULL,\n"
        "  digest TEXT NOT NULL, parsed INTEGER NOT NULL CHECK(parsed IN (0, 1)), remark TEXT,\n"
        "  UNIQUE(coil, version)) STRICT;\n"
        "CREATE TABLE run(\n"
        "  id INTEGER PRIMARY KEY, coil INTEGER NOT NULL REFERENCES coil(id),\n"
        "  started INTEGER NOT NULL, ended INTEGER, design INTEGER, remark TEXT,\n"
        "  FOREIGN KEY(coil, design) REFERENCES design(coil, version)) STRICT;\n"
        "CREATE INDEX run_by_coil ON run(coil, started);\n"
        "CREATE TABLE observation(\n"
        "  id INTEGER PRIMARY KEY, run INTEGER REFERENCES run(id),\n"
        "  coil INTEGER NOT NULL REFERENCES coil(id), time INTEGER NOT NULL,\n"
        "  quantity TEXT NOT NULL, place TEXT NOT NULL, value REAL NOT NULL, u REAL,\n"
        "  conditions TEXT, origin TEXT NOT NULL CHECK(origin IN ('typed', 'channel')),\n"
        "  channel INTEGER REFERENCES channel(id), from_time INTEGER, to_time INTEGER, n INTEGER,\n"
        "  superseded_by INTEGER REFERENCES observation(id), remark TEXT) STRICT;\n"
        "CREATE INDEX observation_by_coil ON observation(coil, time);\n"
        "CREATE TABLE trial(\n"
        "  id INTEGER PRIMARY KEY, run INTEGER REFERENCES run(id),\n"
        "  coil INTEGER NOT NULL REFERENCES coil(id), time INTEGER NOT NULL, current REAL, gap "
        "REAL,\n"
        "  load REAL NOT NULL, load_u REAL, duration REAL,\n"
        "  outcome TEXT NOT NULL\n"
        "    CHECK(outcome IN ('held', 'dropped', 'slid', 'not lifted', 'more than')),\n"
        "  keeper TEXT, conditions TEXT, remark TEXT,\n"
        "  superseded_by INTEGER REFERENCES trial(id)) STRICT;\n"
        "CREATE INDEX trial_by_coil ON trial(coil, time);\n"
        "CREATE TABLE capture(\n"
        "  id INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel(id),\n"
        "  run INTEGER REFERENCES run(id), time INTEGER NOT NULL, rate REAL NOT NULL,\n"
        "  n INTEGER NOT NULL, lost INTEGER NOT NULL, before INTEGER NOT NULL, scale REAL NOT "
        "NULL,\n"
        "  offset REAL NOT NULL, flags INTEGER NOT NULL,\n"
        "  type TEXT NOT NULL CHECK(type IN ('int16', 'uint16', 'int32', 'float32')),\n"
        "  remark TEXT, samples BLOB NOT NULL) STRICT;\n"
        "CREATE INDEX capture_by_channel ON capture(channel, time);\n"
        "CREATE TABLE verdict(\n"
        "  id INTEGER PRIMARY KEY, coil INTEGER NOT NULL REFERENCES coil(id),\n"
        "  run INTEGER REFERENCES run(id), time INTEGER NOT NULL, version TEXT NOT NULL,\n"
        "  digest TEXT NOT NULL,\n"
        "  verdict TEXT NOT NULL CHECK(verdict IN ('pass', 'fail', 'undecided')),\n"
        "  findings TEXT NOT NULL) STRICT;\n"
        "CREATE INDEX verdict_by_coil ON verdict(coil, time);\n"
        "CREATE TABLE learnt(\n"
        "  id INTEGER PRIMARY KEY, key TEXT NOT NULL, value REAL NOT NULL, u REAL,\n"
        "  n INTEGER NOT NULL, source TEXT, time INTEGER NOT NULL, forgotten_at INTEGER) STRICT;\n"
        "CREATE UNIQUE INDEX learnt_in_use ON learnt(key) WHERE forgotten_at IS NULL;\n"
        "CREATE TABLE battery(\n"
        "  id INTEGER PRIMARY KEY, site TEXT NOT NULL, type TEXT NOT NULL, cells INTEGER NOT "
        "NULL,\n"
        "  fitted INTEGER NOT NULL, changed INTEGER CHECK(changed >= fitted), price REAL,\n"
        "  capacity REAL, confirmed INTEGER NOT NULL CHECK(confirmed IN (0, 1)), remark TEXT) "
        "STRICT;\n"
        "CREATE UNIQUE INDEX battery_in_use ON battery(site) WHERE changed IS NULL;\n"
        "CREATE INDEX battery_by_site ON battery(site, fitted);\n"

        "CREATE TRIGGER reading_update BEFORE UPDATE ON reading\n"
        "  BEGIN SELECT RAISE(ABORT, 'a reading is never edited'); END;\n"
        "CREATE TRIGGER reading_delete BEFORE DELETE ON reading\n"
        "  WHEN OLD.time >= (SELECT raw_before FROM retention)\n"
        "  BEGIN SELECT RAISE(ABORT, 'a reading goes only by retention'); END;\n"
        "CREATE TRIGGER retention_update BEFORE UPDATE ON retention\n"
        "  WHEN NEW.raw_before < OLD.raw_before\n"
        "  BEGIN SELECT RAISE(ABORT, 'retention only moves forward'); END;\n"
        "CREATE TRIGGER channel_update BEFORE UPDATE OF id, instrument, quantity, unit, raw_unit,\n"
        "  divisor ON channel\n"
        "  BEGIN SELECT RAISE(ABORT, 'a channel keeps its meaning; make a new one'); END;\n"
        "CREATE TRIGGER learnt_update BEFORE UPDATE OF id, key, value, u, n, source, time ON "
        "learnt\n"
        "  BEGIN SELECT RAISE(ABORT, 'what was learnt is only forgotten'); END;\n"
        "CREATE TRIGGER run_update BEFORE UPDATE OF id, coil, started, design ON run\n"
        "  BEGIN SELECT RAISE(ABORT, 'a run is never edited'); END;\n"
        "CREATE TRIGGER run_end BEFORE UPDATE OF ended ON run WHEN OLD.ended IS NOT NULL\n"
        "  BEGIN SELECT RAISE(ABORT, 'a run ends once'); END;\n"
        "CREATE TRIGGER capture_update BEFORE UPDATE OF id, channel, time, rate, n, lost, before,\n"
        "  scale, offset, flags, type, remark, samples ON capture\n"
        "  BEGIN SELECT RAISE(ABORT, 'a capture is never edited'); END;\n"
        "CREATE TRIGGER capture_claim BEFORE UPDATE OF run ON capture\n"
        "  WHEN OLD.run IS NOT NULL OR NEW.run IS NULL\n"
        "  BEGIN SELECT RAISE(ABORT, 'a capture belongs to one run'); END;\n"
        "CREATE TRIGGER observation_update BEFORE UPDATE OF id, run, coil, time, quantity, place,\n"
        "  value, u, conditions, origin, channel, from_time, to_time, n, remark ON observation\n"
        "  BEGIN SELECT RAISE(ABORT, 'an observation is never edited, only superseded'); END;\n"
        "CREATE TRIGGER trial_update BEFORE UPDATE OF id, run, coil, time, current, gap, load, "
        "load_u,\n"
        "  duration, outcome, keeper, conditions, remark ON trial\n"
        "  BEGIN SELECT RAISE(ABORT, 'a trial is never edited, only superseded'); END;\n"
#define SUPERSEDE(table)                                                                           \
    "CREATE TRIGGER " table "_supersede BEFORE UPDATE OF superseded_by ON " table "\n"             \
    "  WHEN OLD.superseded_by IS NOT NULL OR NEW.superseded_by IS NULL\n"                          \
    "  BEGIN SELECT RAISE(ABORT, 'it is superseded once and for all'); END;\n"
    SUPERSEDE("observation") SUPERSEDE("trial")
#undef SUPERSEDE
#define NEVER_UPDATED(table)                                                                       \
    "CREATE TRIGGER " table "_update BEFORE UPDATE ON " table "\n"                                 \
    "  BEGIN SELECT RAISE(ABORT, 'it is never edited'); END;\n"
        NEVER_UPDATED("calibration") NEVER_UPDATED("accuracy") NEVER_UPDATED("mark")
            NEVER_UPDATED("event") NEVER_UPDATED("design") NEVER_UPDATED("verdict")
#undef NEVER_UPDATED
#define KEPT(table)                                                                                \
    "CREATE TRIGGER " table "_delete BEFORE DELETE ON " table "\n"                                 \
    "  BEGIN SELECT RAISE(ABORT, 'it is kept for ever'); END;\n"
#define KEPT_BY_ID(table)                                                                          \
    KEPT(table)                                                                                    \
    "CREATE TRIGGER " table "_replace BEFORE INSERT ON " table "\n"                                \
    "  WHEN EXISTS (SELECT 1 FROM " table " WHERE id = NEW.id)\n"                                  \
    "  BEGIN SELECT RAISE(ABORT, 'it is never replaced'); END;\n"
                KEPT("accuracy") KEPT("mark") KEPT_BY_ID("calibration") KEPT_BY_ID("event")
                    KEPT_BY_ID("design") KEPT_BY_ID("run") KEPT_BY_ID("observation")
                        KEPT_BY_ID("trial") KEPT_BY_ID("capture") KEPT_BY_ID("verdict")
                            KEPT("learnt")
#undef KEPT_BY_ID
#undef KEPT
    ;

/* Sites of batteries, and the steps of voltage there that a person said were no new battery. */
static const char step_2[] =
    "CREATE TABLE site(\n"
    "  id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,\n"
    "  unloaded INTEGER REFERENCES channel(id), loaded INTEGER REFERENCES channel(id),\n"
    "  temperature INTEGER REFERENCES channel(id), pulses INTEGER REFERENCES channel(id),\n"
    "  coil INTEGER REFERENCES coil(id), ohm REAL, henry REAL, pulse REAL, pulse_u REAL,\n"
    "  period REAL, standby REAL, end REAL, remark TEXT) STRICT;\n"
    "CREATE TABLE dismissed(\n"
    "  site INTEGER NOT NULL REFERENCES site(id), time INTEGER NOT NULL,\n"
    "  PRIMARY KEY(site, time)) STRICT, WITHOUT ROWID;\n";

static const char *const all_steps[] = {step_1, step_2};

int64_t store_schema_version(void)
{
    return (int64_t)(sizeof all_steps / sizeof all_steps[0]);
}

static enum status_code pragma_int(struct store *store, const char *sql, int64_t *out,
                                   struct status *st)
{
    return store_sql_int(store, sql, NULL, 0, out, st);
}

enum status_code store_schema_apply(struct store *store, const char *const *steps, size_t n,
                                    struct status *st)
{
    int64_t version;
    char pragma[96];
    enum status_code code = store_sql_enter(store, st);

    if (code != STATUS_OK)
        return code;
    /* Read inside the transaction: another program may just have done the same work. */
    code = pragma_int(store, "PRAGMA user_version", &version, st);
    for (size_t i = (size_t)version; code == STATUS_OK && i < n; i++) {
        int rc = sqlite3_exec(store->db, steps[i], NULL, NULL, NULL);

        if (rc != SQLITE_OK) {
            code = store_sql_error(store, rc, "bringing the schema up to date", st);
            break;
        }
        snprintf(pragma, sizeof pragma, "PRAGMA user_version = %zu; PRAGMA application_id = %d",
                 i + 1, STORE_SCHEMA_APPLICATION);
        rc = sqlite3_exec(store->db, pragma, NULL, NULL, NULL);
        if (rc != SQLITE_OK)
            code = store_sql_error(store, rc, "bringing the schema up to date", st);
    }
    return store_sql_leave(store, code, st);
}

enum status_code store_schema_bring(struct store *store, bool migrate, struct status *st)
{
    int64_t version, application, tables;
    int64_t newest = store_schema_version();
    enum status_code code = pragma_int(store, "PRAGMA user_version", &version, st);

    if (code == STATUS_OK)
        code = pragma_int(store, "PRAGMA application_id", &application, st);
    if (code == STATUS_OK)
        code = pragma_int(store, "SELECT count(*) FROM sqlite_schema", &tables, st);
    if (code != STATUS_OK)
        return code;
    if (application != STORE_SCHEMA_APPLICATION && (tables > 0 || version != 0 || application != 0))
        return status_fail(st, STATUS_INPUT, "%s: an SQLite database, but not of this program",
                           store->path);
    if (version < 0)
        return status_fail(st, STATUS_INPUT,
                           "%s: damaged: schema %lld, expected %lld; use a copy of it", store->path,
                           (long long)version, (long long)newest);
    if (version > newest)
        return status_fail(st, STATUS_INPUT,
                           "%s: made by a newer program (schema %lld, this program knows %lld); "
                           "use that program",
                           store->path, (long long)version, (long long)newest);
    if (version == newest)
        return STATUS_OK;
    if (!migrate && version == 0)
        return status_fail(st, STATUS_INPUT, "%s: empty, nothing is stored in it yet", store->path);
    if (!migrate)
        return status_fail(st, STATUS_INPUT,
                           "%s: made by an older program (schema %lld, expected %lld); open it "
                           "once for writing to bring it up to date",
                           store->path, (long long)version, (long long)newest);
    return store_schema_apply(store, all_steps, (size_t)newest, st);
}
