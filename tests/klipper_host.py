"""Klipper's own host as a witness: a file goes in, the steps that it sends to a micro-controller come out.

The host runs in its batch mode, which its documentation describes: it reads G-code from a file and writes
what it would send to a micro-controller into another.  For that it wants the micro-controller's data
dictionary; ours is written here from the documented messages, for a board that does not exist.  What it
wrote is decoded by the documented framing and the dictionary.

``tests/neighbours.txt`` alone names the package.  Nothing of it is imported: it is a program of its own.
"""

import json
import pathlib
import subprocess
from dataclasses import dataclass, field

import numpy as np

CLOCK_HZ = 16_000_000
# all stands still, then a pin says where in the file that was; a pin of its own each, since one may not be set twice
# within 0.1 s; the dwells keep the extruder's smoothing, 20 ms to both sides, out of what the mark parts
MARK = "M400\nG4 P100\nSET_PIN PIN=mark_{} VALUE=1\nG4 P100\n"
MARKS = {18: "begin", 19: "end", 20: "last"}  # by pin
# What the host has not sent when it stops is lost: so that this is no step of the job, more follow behind a last mark.
TAIL = "\n" + MARK.format("last") + "M83\n" + "G1 E1 F3000\nG1 E-1 F3000\n" * 200

COMMANDS = """\
identify offset=%u count=%c
allocate_oids count=%c
get_config
finalize_config crc=%u
emergency_stop
get_clock
get_uptime
set_digital_out pin=%u value=%c
config_digital_out oid=%c pin=%u value=%c default_value=%c max_duration=%u
set_digital_out_pwm_cycle oid=%c cycle_ticks=%u
queue_digital_out oid=%c clock=%u on_ticks=%u
update_digital_out oid=%c value=%c
config_analog_in oid=%c pin=%u
query_analog_in oid=%c clock=%u sample_ticks=%u sample_count=%c rest_ticks=%u \
min_value=%hu max_value=%hu range_check_count=%c
config_stepper oid=%c step_pin=%c dir_pin=%c invert_step=%c step_pulse_ticks=%u
queue_step oid=%c interval=%u count=%hu add=%hi
set_next_step_dir oid=%c dir=%c
reset_step_clock oid=%c clock=%u
stepper_get_position oid=%c
stepper_stop_on_trigger oid=%c trsync_oid=%c
config_endstop oid=%c pin=%c pull_up=%c
endstop_home oid=%c clock=%u sample_ticks=%u sample_count=%c rest_ticks=%u pin_value=%c trsync_oid=%c trigger_reason=%c
endstop_query_state oid=%c
config_trsync oid=%c
trsync_start oid=%c report_clock=%u report_ticks=%u expire_reason=%c
trsync_set_timeout oid=%c clock=%u
trsync_trigger oid=%c reason=%c""".splitlines()
RESPONSES = """\
identify_response offset=%u data=%.*s
config is_config=%c crc=%u is_shutdown=%c move_count=%hu
clock clock=%u
uptime high=%u clock=%u
stats count=%u sum=%u sumsq=%u
starting
shutdown clock=%u static_string_id=%hu
is_shutdown static_string_id=%hu
stepper_position oid=%c pos=%i
endstop_state oid=%c homing=%c next_clock=%u pin_value=%c
trsync_state oid=%c can_trigger=%c trigger_reason=%c clock=%u
analog_in_state oid=%c next_clock=%u value=%hu""".splitlines()
# one byte each, so below 96; that of `identify` is 1, that of its response 0
IDS = {text: number for number, text in enumerate([RESPONSES[0], *COMMANDS, *RESPONSES[1:]])}
NAMES = {IDS[text]: (text.split()[0], text.count("=")) for text in COMMANDS}

STEPPERS = {"a": 0, "b": 3, "z": 6, "e": 9}  # first pin; CoreXY: a = x + y, b = x - y
MM = {"a": 40 / 3200, "b": 40 / 3200, "z": 8 / 3200, "e": 8 / 3200}  # of one step
MACHINE = """\
[mcu]
serial: /dev/null
[printer]
kinematics: corexy
max_velocity: 300
max_accel: 3000
max_z_velocity: 15
max_z_accel: 300
[stepper_x]
step_pin: P0
dir_pin: P1
endstop_pin: P2
rotation_distance: 40
microsteps: 16
position_endstop: 0
position_max: 250
homing_speed: 50
[stepper_y]
step_pin: P3
dir_pin: P4
endstop_pin: P5
rotation_distance: 40
microsteps: 16
position_endstop: 0
position_max: 210
homing_speed: 50
[stepper_z]
step_pin: P6
dir_pin: P7
endstop_pin: P8
rotation_distance: 8
microsteps: 16
position_endstop: 0
position_max: 210
[extruder]
step_pin: P9
dir_pin: P10
rotation_distance: 8
microsteps: 16
nozzle_diameter: 0.4
filament_diameter: 1.75
heater_pin: P12
sensor_type: EPCOS 100K B57560G104F
sensor_pin: P13
control: watermark
min_temp: 0
max_temp: 285
[heater_bed]
heater_pin: P14
sensor_type: EPCOS 100K B57560G104F
sensor_pin: P15
control: watermark
min_temp: 0
max_temp: 120
[fan]
pin: P16
[output_pin mark_begin]
pin: P18
[output_pin mark_end]
pin: P19
[output_pin mark_last]
pin: P20
[virtual_sdcard]
path: FOLDER
[pause_resume]
[display_status]
[respond]
[exclude_object]
[gcode_macro PRINT_START]
gcode:
    G28
    G90
    G1 X5 Y5 Z5 F3000
    M109 S{params.EXTRUDER|default(params.EXTRUDER_TEMP)|default(210)}
[gcode_macro START_PRINT]
gcode:
    PRINT_START {rawparams}
[gcode_macro PRINT_END]
gcode:
    M104 S0
    M140 S0
[gcode_macro END_PRINT]
gcode:
    PRINT_END
"""


@dataclass
class Steps:
    """One stepper's steps: clocks in ticks since the start, +1 or -1 each."""

    clock: np.ndarray
    way: np.ndarray

    def since(self, begin: int) -> "Steps":
        """The steps from *begin* on, which is the clock's new start."""
        kept = self.clock >= begin
        return Steps(self.clock[kept] - begin, self.way[kept])

    def until(self, end: int) -> "Steps":
        """The steps before *end*."""
        kept = self.clock < end
        return Steps(self.clock[kept], self.way[kept])


@dataclass
class Run:
    """What the host made of a file.

    ``marks`` : clocks at which the pins of the marks were set; ``said`` : what the host had to say.
    """

    code: int
    said: tuple[str, ...]
    steps: dict[str, Steps] = field(repr=False)
    marks: dict[str, int]


def run(program: str, folder: pathlib.Path, text: bytes) -> Run:
    """Run the host on *text* in *folder*."""
    dictionary = {
        "version": "tests",
        "build_versions": "tests",
        "config": {
            "MCU": "tests",
            "CLOCK_FREQ": CLOCK_HZ,
            "ADC_MAX": 4095,
            "PWM_MAX": 255,
            "STATS_SUMSQ_BASE": 256,
        },
        "enumerations": {"pin": {"P0": [0, 32]}, "static_string_id": {"none": 2}},
        "commands": {text: IDS[text] for text in COMMANDS},
        "responses": {text: IDS[text] for text in RESPONSES},
        "output": {},
    }
    (folder / "board.dict").write_text(json.dumps(dictionary), encoding="utf-8")
    (folder / "printer.cfg").write_text(MACHINE.replace("FOLDER", str(folder)), encoding="utf-8")
    (folder / "in.gcode").write_bytes(text + TAIL.encode())
    words = ["printer.cfg", "-i", "in.gcode", "-o", "out.serial", "-d", "board.dict", "-l", "host.log"]
    done = subprocess.run([program, *words], cwd=folder, capture_output=True, check=False, timeout=300)
    log = (folder / "host.log").read_text(encoding="utf-8", errors="replace")
    (folder / "host.log").unlink()
    at = log.find("Configured MCU")
    assert at >= 0, log[-3000:]  # the host did not take our machine
    said = [line for line in log[at:].splitlines()[1:] if not line.startswith("Exiting")]
    steps, marks = decoded((folder / "out.serial").read_bytes())
    if done.returncode == 0:
        steps = {name: each.until(marks["last"]) for name, each in steps.items()}
    return Run(done.returncode, tuple(said), steps, marks)


def contents(data: bytes) -> list[tuple[str, list[int]]]:
    """Return the messages in *data*: blocks of length, sequence, content, check sum and 0x7e."""
    found = []
    at = 0
    while at < len(data):
        size = data[at]
        assert 5 <= size <= 64, "not a block"
        assert data[at + size - 1] == 0x7E
        here, end = at + 2, at + size - 3
        numbers: list[int] = []
        while here < end:
            byte = data[here]
            here += 1
            value = byte & 0x7F
            if byte & 0x60 == 0x60:
                value -= 0x80  # the sign of a variable-length quantity
            while byte & 0x80:
                byte = data[here]
                here += 1
                value = value << 7 | byte & 0x7F
            numbers.append(value)
        here = 0
        while here < len(numbers):
            name, count = NAMES[numbers[here]]
            found.append((name, numbers[here + 1 : here + 1 + count]))
            here += 1 + count
        at += size
    return found


def decoded(data: bytes) -> tuple[dict[str, Steps], dict[str, int]]:
    """Return each stepper's steps and the clocks of the marks."""
    names, pins = {}, {}
    last, way, pieces, marks = {}, {}, {}, {}
    now = 0

    def unwrapped(clock: int) -> int:
        """Return a clock of 32 bits as the one nearest to what was last heard of."""
        return now + ((clock - now + (1 << 31)) % (1 << 32) - (1 << 31))

    for name, values in contents(data):
        if name == "queue_step":
            oid, interval, count, add = values
            interval &= 0xFFFFFFFF
            pieces[oid].append((last[oid], interval, count, add, way[oid]))
            last[oid] += interval * count + add * count * (count - 1) // 2
            now = max(now, last[oid])
        elif name == "set_next_step_dir":
            way[values[0]] = 1 if values[1] else -1
        elif name == "reset_step_clock":
            last[values[0]] = unwrapped(values[1] & 0xFFFFFFFF)
        elif name == "config_stepper":
            names[values[0]] = next(key for key, pin in STEPPERS.items() if pin == values[1])
            pieces[values[0]], last[values[0]], way[values[0]] = [], 0, -1
        elif name == "config_digital_out" and values[1] in MARKS:
            pins[values[0]] = MARKS[values[1]]
        elif name == "queue_digital_out" and values[0] in pins:
            marks[pins[values[0]]] = unwrapped(values[1] & 0xFFFFFFFF)
    return {names[oid]: expanded(rows) for oid, rows in pieces.items()}, marks


def expanded(rows: list[tuple[int, int, int, int, int]]) -> Steps:
    """Return the single steps of a stepper's (start, interval, count, add, way)."""
    table = np.array(rows, dtype=np.int64).reshape(-1, 5)
    start, interval, _, add, way = (np.repeat(column, table[:, 2]) for column in table.T)
    first = np.repeat(np.cumsum(table[:, 2]) - table[:, 2], table[:, 2])
    number = np.arange(1, len(start) + 1) - first
    return Steps(start + interval * number + add * number * (number - 1) // 2, way)
