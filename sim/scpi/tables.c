/* What each shape understands, one row a command. docs/simulator-commands.md says the same for people. */
#include "sim/scpi/own.h"

#define ANY     (~0u)
#define LOAD    ROLE(SERVER_LOAD)
#define SELECT  ROLE(SERVER_SELECTOR)
#define THERMO  ROLE(SERVER_THERMOMETER)
#define MAINS   ROLE(SERVER_MAINS)
#define METER   ROLE(SERVER_METER)
#define ALL     ROLE(SERVER_ALL)
#define AC      (ROLE(SERVER_POWER_METER) | ROLE(SERVER_MAINS))
#define BOTH    (SETS | ASKS)
#define LEVEL   "[:LEVel][:IMMediate][:AMPLitude]"
enum { OV, OC, OP, OT, UV };
enum { CELSIUS, VOLTS };

/* IEEE 488.2 and SCPI-1999 volume 1, 4.2.1: mandatory for each instrument */
#define MANDATORY                                                                                                      \
    {"*CLS", SETS, ANY, common_clear, 0, 0, 0, 0}, {"*ESE", BOTH, ANY, common_ese, 0, 1, 1, 0},                        \
    {"*ESR", ASKS, ANY, common_esr, 0, 0, 0, 0}, {"*IDN", ASKS, ANY, common_idn, 0, 0, 0, 0},                          \
    {"*OPC", BOTH, ANY, common_opc, 0, 0, 0, 0}, {"*RST", SETS, ANY, common_reset, 0, 0, 0, 0},                        \
    {"*SRE", BOTH, ANY, common_sre, 0, 1, 1, 0}, {"*STB", ASKS, ANY, common_stb, 0, 0, 0, 0},                          \
    {"*TST", ASKS, ANY, common_test, 0, 0, 0, 0}, {"*WAI", SETS, ANY, common_wait, 0, 0, 0, 0},                        \
    {"SYSTem:ERRor[:NEXT]", ASKS, ANY, system_error, 0, 0, 0, 0},                                                      \
    {"SYSTem:ERRor:COUNt", ASKS, ANY, system_error_count, 0, 0, 0, 0},                                                 \
    {"SYSTem:VERSion", ASKS, ANY, system_version, 0, 0, 0, 0},                                                         \
    {"STATus:OPERation[:EVENt]", ASKS, ANY, status_group, 0, 0, 0, 0},                                                 \
    {"STATus:OPERation:CONDition", ASKS, ANY, status_group, 1, 0, 0, 0},                                               \
    {"STATus:OPERation:ENABle", BOTH, ANY, status_group, 2, 1, 1, 0},                                                  \
    {"STATus:QUEStionable[:EVENt]", ASKS, ANY, status_group, 8, 0, 0, 0},                                              \
    {"STATus:QUEStionable:CONDition", ASKS, ANY, status_group, 9, 0, 0, 0},                                            \
    {"STATus:QUEStionable:ENABle", BOTH, ANY, status_group, 10, 1, 1, 0},                                              \
    {"STATus:PRESet", SETS, ANY, status_all_preset, 0, 0, 0, 0}

const struct command standard_commands[] = {
    MANDATORY,
    {"MEASure#[:SCALar]:VOLTage[:DC]", ASKS, LOAD, load_measure, MEASURE_VOLTS, 0, 0, 0},
    {"MEASure#[:SCALar]:CURRent[:DC]", ASKS, LOAD, load_measure, MEASURE_AMPS, 0, 0, 0},
    {"MEASure#[:SCALar]:POWer[:DC]", ASKS, LOAD, load_measure, MEASURE_WATTS, 0, 0, 0},
    {"FETCh#[:SCALar]:VOLTage[:DC]", ASKS, LOAD, load_measure, MEASURE_VOLTS, 0, 0, 0},
    {"FETCh#[:SCALar]:CURRent[:DC]", ASKS, LOAD, load_measure, MEASURE_AMPS, 0, 0, 0},
    {"FETCh#[:SCALar]:POWer[:DC]", ASKS, LOAD, load_measure, MEASURE_WATTS, 0, 0, 0},
    {"INPut#[:STATe]", BOTH, LOAD, load_input, 0, 1, 1, 0},
    {"INPut:ALL[:STATe]", BOTH, LOAD, load_all, 0, 1, 1, 0},
    {"INPut#:PROTection:TRIPped", ASKS, LOAD, load_tripped, 0, 0, 0, 0},
    {"INPut#:PROTection:CLEar", SETS, LOAD, load_clear, 0, 0, 0, 0},
    {"INSTrument:NSELect", BOTH, LOAD, load_select, 0, 1, 1, 0},
    {"INSTrument:COUNt", ASKS, LOAD, load_count, 0, 0, 0, 0},
    {"[SOURce#:]FUNCtion#[:MODE]", BOTH, LOAD, load_mode, 0, 1, 1, 0},
    {"[SOURce#:]CURRent#" LEVEL, BOTH, LOAD, load_level, WORLD_CURRENT, 1, 1, 1},
    {"[SOURce#:]VOLTage#" LEVEL, BOTH, LOAD, load_level, WORLD_VOLTAGE, 1, 1, 1},
    {"[SOURce#:]RESistance#" LEVEL, BOTH, LOAD, load_level, WORLD_RESISTANCE, 1, 1, 1},
    {"[SOURce#:]POWer#" LEVEL, BOTH, LOAD, load_level, WORLD_POWER, 1, 1, 1},
    {"[SOURce#:]CURRent#:SLEW", BOTH, LOAD, load_slew, 0, 1, 1, 0},
    {"[SOURce#:]VOLTage#:PROTection[:LEVel]", BOTH, LOAD, load_protect, OV, 1, 1, 1},
    {"[SOURce#:]CURRent#:PROTection[:LEVel]", BOTH, LOAD, load_protect, OC, 1, 1, 1},
    {"[SOURce#:]POWer#:PROTection[:LEVel]", BOTH, LOAD, load_protect, OP, 1, 1, 1},
    {"[SOURce#:]VOLTage#:PROTection:UNDer[:LEVel]", BOTH, LOAD, load_protect, UV, 1, 1, 1},
    {"[SOURce#:]VOLTage#:PROTection:STATe", BOTH, LOAD, load_protect_state, OV, 1, 1, 0},
    {"[SOURce#:]CURRent#:PROTection:STATe", BOTH, LOAD, load_protect_state, OC, 1, 1, 0},
    {"[SOURce#:]POWer#:PROTection:STATe", BOTH, LOAD, load_protect_state, OP, 1, 1, 0},
    {"[SOURce#:]VOLTage#:PROTection:UNDer:STATe", BOTH, LOAD, load_protect_state, UV, 1, 1, 0},
    {"SYSTem:COMMunicate:TIMeout", BOTH, LOAD, load_timeout, 0, 1, 1, 0},
    {"CONTract#:SELect", BOTH, SELECT, selector_select, 0, 1, 2, 0},
    {"CONTract#:SETTled", ASKS, SELECT, selector_settled, 0, 0, 0, 0},
    {"CONTract#:COUNt", ASKS, SELECT, selector_count, 0, 0, 0, 0},
    {"CONTract#:CATalog", ASKS, SELECT, selector_catalog, 0, 0, 0, 0},
    {"CONTract#:ATTach", BOTH, SELECT, selector_attach, 0, 1, 1, 0},
    {"CONTract#:CABLe", ASKS, SELECT, selector_cable, 0, 0, 0, 0},
    {"CONTract:PORTs", ASKS, SELECT, selector_ports, 0, 0, 0, 0},
    {"MEASure:TEMPerature", ASKS, THERMO, thermo_read, CELSIUS, 0, 0, 1},
    {"MEASure:EMF", ASKS, THERMO, thermo_read, VOLTS, 0, 0, 1},
    {"MEASure:REFerence", ASKS, THERMO, thermo_reference, 0, 0, 0, 0},
    {"SENSe:COUNt", ASKS, THERMO, thermo_count, 0, 0, 0, 0},
    {"SENSe#:NAME", ASKS, THERMO, thermo_name, 0, 0, 0, 0},
    {"OUTPut[:STATe]", BOTH, MAINS, mains_state, 0, 1, 1, 0},
    {"OUTPut:VOLTage", BOTH, MAINS, mains_volts, 0, 1, 1, 0},
    {"MEASure:VOLTage:AC", ASKS, AC, meter_ac, AC_VOLTS, 0, 0, 0},
    {"MEASure:CURRent:AC", ASKS, AC, meter_ac, AC_AMPS, 0, 0, 0},
    {"MEASure:POWer:AC", ASKS, AC, meter_ac, AC_WATTS, 0, 0, 0},
    {"MEASure:PFACtor", ASKS, AC, meter_ac, AC_FACTOR, 0, 0, 0},
    {"MEASure#:VOLTage[:DC]", ASKS, METER, meter_receptacle, 0, 0, 0, 0},
    {"MEASure#:RECeptacle", ASKS, METER | ALL, meter_receptacle, 0, 0, 0, 0},
};
const size_t standard_command_count = sizeof standard_commands / sizeof standard_commands[0];

const struct command late_commands[] = {
    MANDATORY,
    {"READ#:VOLTage", ASKS, LOAD, load_measure, MEASURE_VOLTS, 0, 0, 0},
    {"READ#:CURRent", ASKS, LOAD, load_measure, MEASURE_AMPS, 0, 0, 0},
    {"READ#:POWer", ASKS, LOAD, load_measure, MEASURE_WATTS, 0, 0, 0},
    {"READ#:BOTH", ASKS, LOAD, load_both, 0, 0, 0, 0},
    {"ABSorb#[:STATe]", BOTH, LOAD, load_input, 0, 1, 1, 0},
    {"ABSorb:ALL", BOTH, LOAD, load_all, 0, 1, 1, 0},
    {"CHANnel", BOTH, LOAD, load_select, 0, 1, 1, 0},
    {"CHANnel:COUNt", ASKS, LOAD, load_count, 0, 0, 0, 0},
    {"REGime#", BOTH, LOAD, load_mode, 0, 1, 1, 0},
    {"LEVel#:CURRent", BOTH, LOAD, load_level, WORLD_CURRENT, 1, 1, 1},
    {"LEVel#:VOLTage", BOTH, LOAD, load_level, WORLD_VOLTAGE, 1, 1, 1},
    {"LEVel#:RESistance", BOTH, LOAD, load_level, WORLD_RESISTANCE, 1, 1, 1},
    {"LEVel#:POWer", BOTH, LOAD, load_level, WORLD_POWER, 1, 1, 1},
    {"LEVel#:SLEW", BOTH, LOAD, load_slew, 0, 1, 1, 0},
    {"GUARd#:VOLTage", BOTH, LOAD, load_protect, OV, 1, 1, 1},
    {"GUARd#:CURRent", BOTH, LOAD, load_protect, OC, 1, 1, 1},
    {"GUARd#:POWer", BOTH, LOAD, load_protect, OP, 1, 1, 1},
    {"GUARd#:FLOor", BOTH, LOAD, load_protect, UV, 1, 1, 1},
    {"GUARd#:TRIPped", ASKS, LOAD, load_tripped, 0, 0, 0, 0},
    {"GUARd#:CLEar", SETS, LOAD, load_clear, 0, 0, 0, 0},
    {"LINK:TIMeout", BOTH, LOAD, load_timeout, 0, 1, 1, 0},
    {"RAIL#:WANT", SETS, SELECT, selector_select, 0, 1, 2, 0},
    {"RAIL#:NOW", ASKS, SELECT, selector_select, 0, 0, 0, 0},
    {"RAIL#:READy", ASKS, SELECT, selector_settled, 0, 0, 0, 0},
    {"RAIL#:COUNt", ASKS, SELECT, selector_count, 0, 0, 0, 0},
    {"RAIL#:LIST", ASKS, SELECT, selector_catalog, 0, 0, 0, 0},
    {"RAIL#:PLUG", BOTH, SELECT, selector_attach, 0, 1, 1, 0},
    {"RAIL#:CABLe", ASKS, SELECT, selector_cable, 0, 0, 0, 0},
    {"RAIL:PORTs", ASKS, SELECT, selector_ports, 0, 0, 0, 0},
    {"PROBe:TEMPerature", ASKS, THERMO, thermo_read, CELSIUS, 0, 0, 1},
    {"PROBe:EMF", ASKS, THERMO, thermo_read, VOLTS, 0, 0, 1},
    {"PROBe:JUNCtion", ASKS, THERMO, thermo_reference, 0, 0, 0, 0},
    {"PROBe:COUNt", ASKS, THERMO, thermo_count, 0, 0, 0, 0},
    {"PROBe#:NAME", ASKS, THERMO, thermo_name, 0, 0, 0, 0},
    {"LINE[:STATe]", BOTH, MAINS, mains_state, 0, 1, 1, 0},
    {"LINE:VOLTage", SETS, MAINS, mains_volts, 0, 1, 1, 0},
    {"LINE:VOLTage", ASKS, AC, meter_ac, AC_VOLTS, 0, 0, 0},
    {"LINE:CURRent", ASKS, AC, meter_ac, AC_AMPS, 0, 0, 0},
    {"LINE:POWer", ASKS, AC, meter_ac, AC_WATTS, 0, 0, 0},
    {"LINE:FACTor", ASKS, AC, meter_ac, AC_FACTOR, 0, 0, 0},
    {"TIP#:VOLTage", ASKS, METER | ALL, meter_receptacle, 0, 0, 0, 0},
};
const size_t late_command_count = sizeof late_commands / sizeof late_commands[0];
