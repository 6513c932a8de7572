/* The commands, one file each; the table in analyze/command.c lists them in the order of the job.
 */
#ifndef TRUEWOUND_COMMANDS_H
#define TRUEWOUND_COMMANDS_H

#include "analyze/command.h"

extern const struct command command_battery;
extern const struct command command_coil;
extern const struct command command_compare;
extern const struct command command_learn;
extern const struct command command_plan;
extern const struct command command_predict;
extern const struct command command_readings;
extern const struct command command_take;
extern const struct command command_measure;
extern const struct command command_wire;
extern const struct command command_fleet;
extern const struct command command_irons;
extern const struct command command_capture;
extern const struct command command_observe;
extern const struct command command_lift;
extern const struct command command_verify;
extern const struct command command_sheet;
extern const struct command command_page;

#endif
