"""Stories of a small workshop, each a script of commands for ``told``: name → script.

A line is a command of gcodetool, or begins with a verb of ``told`` (copy, show, page…); ``file NAME`` takes the lines
up to ``end``.  What a command tells is stored; add a line, and make the file anew.
"""

from collections.abc import Mapping

from told_inputs import INPUTS
from told_shelf import (
    AIR,
    AT,
    DOUBTS,
    DRYING,
    FEW,
    LIMITS,
    MATERIALS,
    SAMPLES,
    SERIES,
    SERVE,
    SHELF,
    STORAGE,
)
from told_tables import TABLES

CHECK = (
    SAMPLES
    + f"""
check clips.gcode --spool shelf/petg-03.toml --printer bench-1 {AT}
check clips.gcode --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW} --json
check manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW}
check manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW} --json
check rings.gcode --spool shelf/pla-11.toml --printer bench-3 {AT} {FEW}
check rings.gcode --spool shelf/pla-11.toml --printer bench-3 {AT} {FEW} --json
check hose-tpu.gcode --spool shelf/tpu-05.toml --printer bench-1 {AT} {FEW}
check hose-tpu.gcode --spool shelf/tpu-05.toml --printer bench-1 {AT} {FEW} --json
check hose-tpu.gcode --spool shelf/tpu-02.toml --printer bench-1 {AT} {FEW}
check hose-tpu.gcode --spool shelf/tpu-02.toml --printer bench-1 {AT} {FEW} --json
check clips.gcode {AT}
check clips.gcode {AT} --json
check rings.gcode --spool shelf/pla-11.toml {AT} {FEW} --no-tweaks
check manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} --members 1
check manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW} --confidence 0.9
check manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW} --confidence 90% --place bench
check clips.gcode --spool shelf/petg-03.toml --printer bench-2 --at 2026-12-06T09:00:00+01:00 {FEW}
check manifold.gcode --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW}
check rings.gcode --spool shelf/tpu-05.toml --printer bench-3 {AT} {FEW}
check rings.gcode --spool nothing {AT}
check rings.gcode --spool 0=shelf/pla-11.toml --spool 1=shelf/pla-11.toml {AT} {FEW}
check nothing.gcode {AT}
python gcodetool.check("clips.gcode", spool="shelf/petg-03.toml", printer="bench-1", at=1795593600.0, members=4).tools[0].forecast
"""
)

TWO_TOOLS = f"""
copy gcode/a05-spacer-tray-petg-two-colour-tower.gcode.xz tray.gcode
copy gcode/b04-spacer-tray-petg-pla-two-tools.gcode.xz two.gcode
copy gcode/a10-hose-marker-petg-two-colour-change-times.gcode.xz marker.gcode
copy shelf
check tray.gcode --spool 0=shelf/petg-03.toml --spool 1=shelf/pla-11.toml --printer bench-2 {AT} {FEW}
check tray.gcode --spool 0=shelf/petg-03.toml --printer bench-2 {AT} {FEW} --json
check two.gcode --spool 0=shelf/petg-03.toml --spool 1=shelf/tpu-05.toml {AT} {FEW}
check marker.gcode --spool 0=shelf/petg-03.toml --spool 1=shelf/petg-03.toml --printer bench-1 {AT} {FEW}
check marker.gcode --spool shelf/petg-03.toml {AT} {FEW} --json
prepare two.gcode --spool 0=shelf/petg-03.toml --spool 1=shelf/tpu-05.toml {AT} {FEW} --block always -o out.gcode
changed two.gcode out.gcode
prepare tray.gcode --spool 0=shelf/petg-03.toml --spool 1=shelf/petg-03.toml {AT} {FEW} --block always --wait seconds=20 -o out.gcode
changed tray.gcode out.gcode
review two.gcode --spool 0=shelf/petg-03.toml {AT} {FEW} -o two.html
page two.html
"""

PREPARE = (
    SAMPLES
    + f"""
prepare clips.gcode --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW} --block always --report report.json
changed clips.gcode clips.prepared.gcode
show report.json 1 60
prepare clips.prepared.gcode --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW} --block always -o again.gcode
changed clips.prepared.gcode again.gcode
prepare manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW} --wait seconds=45 -o out.gcode
changed manifold.gcode out.gcode
prepare manifold.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW} --apply temperature,retraction --from-layer 3 --block never -o applied.gcode
changed manifold.gcode applied.gcode
prepare applied.gcode --spool shelf/pa6-07.toml --printer rig-4 {AT} {FEW} --apply temperature -o twice.gcode
prepare rings.gcode --spool shelf/pla-11.toml --printer bench-3 {AT} {FEW} --apply temperature,retraction -o out.gcode
changed rings.gcode out.gcode
prepare rings.gcode --spool shelf/pla-11.toml {AT} {FEW} --apply temperature,retraction -o out.gcode
prepare hose-tpu.gcode --spool shelf/tpu-05.toml --printer bench-1 {AT} {FEW} --apply temperature -o out.gcode
changed hose-tpu.gcode out.gcode
prepare hose-tpu.gcode --spool shelf/tpu-02.toml --printer bench-1 {AT} {FEW} --refuse dry-first,runs-out -o refused.gcode
prepare hose-tpu.gcode --spool shelf/tpu-02.toml --printer bench-1 {AT} {FEW} --refuse wet
prepare clips.gcode {AT} -o unknown.gcode
changed clips.gcode unknown.gcode
"""
)

DIALECTS = "\n".join(
    f"""
copy gcode/{name}.gcode.xz {name[:3]}.gcode
check {name[:3]}.gcode --spool shelf/{spool}.toml {AT} --members 1 --json
prepare {name[:3]}.gcode --spool shelf/{spool}.toml {AT} --members 1 --block always --apply temperature,retraction -o {name[:3]}-out.gcode
changed {name[:3]}.gcode {name[:3]}-out.gcode
"""
    for name, spool in (
        ("a01-valve-body-petg-marlin2-relE", "petg-03"),
        ("a02-hose-clips-pla-klipper-macro", "pla-11"),
        ("a03-sensor-bracket-tpu-marlin-absE-verbose", "tpu-05"),
        ("a04-drip-manifold-pa-rrf-fwretract", "pa6-07"),
        ("a06-spacer-rings-pla285-sequential-absE", "pla-11"),
        ("a07-spacer-ring-petg-volumetric-crlf", "petg-03"),
        ("a08-sensor-bracket-pla-old-reprap-absE", "pla-11"),
        ("a09-drip-manifold-petg-old-repetier-fwretract", "petg-03"),
        ("b01-valve-body-pla-marlin-cmdline-header", "pla-11"),
        ("b02-hose-clips-tpu-relE-macro-tail", "tpu-05"),
        ("b03-drip-manifold-pa-reprap-fwretract", "pa6-07"),
        ("b05-sensor-bracket-petg-volumetric-raft", "petg-03"),
        ("c01-drip-manifold-pa-config-top-built", "pa6-07"),
        ("c02-hose-clips-petg-klipper-config-end-built", "petg-03"),
    )
)
DIALECTS = f"""
copy shelf
{DIALECTS}
copy gcode/x01-spacer-rings-binary-container.bgcode
copy gcode/x02-drip-manifold-zip-container.gcode.3mf
check x01-spacer-rings-binary-container.bgcode --spool shelf/pla-11.toml {AT} --members 1
prepare x01-spacer-rings-binary-container.bgcode --spool shelf/pla-11.toml {AT} --members 1 -o out.bgcode
check out.bgcode --spool shelf/pla-11.toml {AT} --members 1 --json
check x02-drip-manifold-zip-container.gcode.3mf --spool shelf/pa6-07.toml {AT} --members 1
prepare x02-drip-manifold-zip-container.gcode.3mf --spool shelf/pa6-07.toml {AT} --members 1 -o out.gcode.3mf
check out.gcode.3mf --spool shelf/pa6-07.toml {AT} --members 1
"""

REVIEW = (
    SAMPLES
    + f"""
review clips.gcode --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW} -o clips.html
page clips.html
review hose-tpu.gcode --spool shelf/tpu-05.toml --printer bench-1 {AT} {FEW} -o tpu.html
page tpu.html
review rings.gcode {AT} {FEW} -o rings.html
page rings.html
ring ring.gcode 240 0 1
review ring.gcode --spool 0=petg-03.toml {AT} {FEW} -o ring.html
page ring.html
ring small.gcode 5 0
review small.gcode --spool petg-03.toml --printer bench-2 {AT} {FEW} -o small.html
page small.html
"""
)

QUEUE = """
world story
queue tonight.toml --shelf shelf --members 4 --processes 1 --at 2026-11-25T18:00:00+01:00 --html queue.html --ics queue.ics
queue tonight.toml --shelf shelf --members 4 --processes 1 --at 2026-11-25T18:00:00+01:00 --json
page queue.html
show queue.ics
queue tonight.toml --shelf shelf --members 1 --processes 1 --dryer none --at 2026-11-25T18:00:00+01:00
queue tonight.toml --shelf shelf --members 1 --processes 1 --present "Mon-Fri 07:30-18:00" --confidence 0.9 --at 2026-11-25T18:00:00+01:00
queue clips-1.gcode hoses-2.gcode --shelf shelf --members 1 --processes 1 --printer bench-1 --at 2026-11-25T18:00:00+01:00
save plan.json queue tonight.toml --shelf shelf --members 1 --processes 1 --at 2026-11-25T18:00:00+01:00 --json
queue tonight.toml --shelf shelf --members 1 --processes 1 --from-now plan.json --at 2026-11-25T21:00:00+01:00
queue tonight.toml --shelf shelf --members 1 --processes 1 --from-now plan.json --not-started 3 --at 2026-11-25T21:00:00+01:00 --json
queue clips-1.gcode --shelf shelf --members 1 --processes 1 --dryer oven=1001 --at 2026-11-25T18:00:00+01:00
queue clips-1.gcode --shelf shelf --members 1 --processes 1 --printer bench-1 --dryer oven=1000 --at 2026-11-25T18:00:00+01:00
queue clips-1.gcode --shelf shelf --members 1 --processes 1 --dryer oven=0 --at 2026-11-25T18:00:00+01:00
queue clips-1.gcode --shelf shelf --members 1 --processes 1 --dryer =2 --at 2026-11-25T18:00:00+01:00
queue clips-1.gcode --members 1 --processes 1 --shelf shelf --assume-mounted --printer bench-1 --at 2026-11-25T18:00:00+01:00
"""

EVENING = """
world evening
queue evening.toml --members 1 --processes 1 --time-limit 3600 --at 2026-11-25T16:30
queue evening.toml --members 1 --processes 1 --time-limit 3600 --at 2026-11-25T16:30 --json
"""

ADJUST = "".join(
    f"""
copy profiles/{file}
adjust {file} --spool {spool} --printer bench-1 --diff {AT} {FEW}
adjust {file} --spool {spool} --printer rig-4 -o damp-{number}{suffix} {AT} {FEW}
changed {file} damp-{number}{suffix}
"""
    for number, (file, suffix, spool) in enumerate(
        (
            ("a-flat-petg-green.ini", ".ini", "damp.toml"),
            ("a-flat-pa6-natural.ini", ".ini", "shelf/pa6-07.toml"),
            ("b-material-petg-smoke.xml.fdm_material", ".xml.fdm_material", "damp.toml"),
            ("b-quality-changes-petg-tray.inst.cfg", ".inst.cfg", "damp.toml"),
            ("b-quality-changes-tpu-clips.inst.cfg", ".inst.cfg", "shelf/tpu-05.toml"),
            ("c-user-petg-smoke.json", ".json", "damp.toml"),
            ("c-user-pa12-black.json", ".json", "shelf/pa6-07.toml"),
        )
    )
)
ADJUST = f"""
copy shelf
copy hose-clips-petg.gcode clips.gcode
copy profiles/c-base-common.json
copy profiles/c-base-petg.json
copy profiles/c-base-pa.json
copy profiles/c-user-petg-smoke.info
copy profiles/c-user-pa12-black.info
file damp.toml
| id = "petg-05"
| material = "PETG"
| diameter_mm = 1.75
| net_mass_g = 1000
| [place.bench]
| kind = "open"
| temperature_C = 22.0
| rh_pct = 55.0
| [[event]]
| at = 2026-11-20T08:00:00+01:00
| kind = "received"
| place = "bench"
| sealed = false
end
{ADJUST}
adjust a-flat-petg-green.ini --spool damp.toml --job clips.gcode --printer bench-1 --diff {AT} {FEW}
copy profiles/a-bundle-two-spool.ini
adjust a-bundle-two-spool.ini --spool 1=damp.toml --diff {AT} {FEW}
adjust a-bundle-two-spool.ini --spool damp.toml -o bundle-damp.ini {AT} {FEW}
adjust a-flat-petg-green.ini --spool shelf/petg-03.toml -o dry.ini {AT} {FEW}
"""

OTHERS = f"""
copy machines/m503.txt
copy machines/m503-deviation.txt
copy machines/klipper
copy machines/rrf
profiles import m503.txt -o one.toml --name bench-7
show one.toml
profiles import m503-deviation.txt -o two.toml
show two.toml
profiles import klipper/printer.cfg -o three.toml --name bench-8
show three.toml
file odd.cfg
| [printer]
| kinematics: corexy
| max_velocity: 250
| max_accel: 9000
| [a_section_whose_name_is_exactly_sixty_signs_long_so_that_it_st]
| x: 1
| [a_section_whose_name_is_longer_than_sixty_signs_and_so_is_cut_off_where_it_is_told]
| y: 2
| [extruder]
| nozzle_diameter: 0.6
| filament_diameter: 2.85
| max_extrude_only_accel: -3
| [stepper_z]
| position_max: 400
end
profiles import odd.cfg -o five.toml
show five.toml
profiles import rrf/config.g -o four.toml
show four.toml
profiles import rrf/config.g -o four.toml
profiles import rrf/config.g -o four.toml --force --dialect marlin
profiles check one.toml two.toml three.toml four.toml
profiles list
profiles list printers
profiles show silica gel
profiles show nothing
profiles show bench-2
copy hose-clips-petg.gcode in/clips.gcode
copy drip-manifold-pa.gcode in/manifold.gcode
copy shelf
file heat.toml
| name = "bench-4"
| dialect = "marlin"
| [waiting]
| room_C = 21
| overhead_s = 95
| [waiting.nozzle]
| rate_C_s = 2.2
| cooling_C_s = 0.9
| [waiting.bed]
| rate_C_s = 0.35
end
file heat-k.toml
| name = "bench-6"
| dialect = "klipper"
| [waiting]
| [waiting.nozzle]
| rate_C_s = 1.8
| [waiting.bed]
| rate_C_s = 0.3
| [waiting.chamber]
| rate_C_s = 0.05
end
file heats.gcode
| M140 S60
| M104 S180 T0
| M190 S60
| M109 S215
| M109 R180
| M141 S40
| M191 S45
| SET_HEATER_TEMPERATURE HEATER=extruder1 TARGET=230
| SET_HEATER_TEMPERATURE HEATER="heater_generic chamber" TARGET=50
| TEMPERATURE_WAIT SENSOR=extruder1 MINIMUM=225 MAXIMUM=235
| TEMPERATURE_WAIT SENSOR=heater_bed MAXIMUM=50
| T1
| M109 T1 S240
| M116
| M104
| M109 S1001
| G28
| G1 X10 Y10 Z0.2 F3000
| G1 X50 E2 F1200
| M190 R40
| M109 S0
| PRINT_START EXTRUDER=245 BED=80 CHAMBER=50
| START_PRINT EXTRUDER_TEMP=250 BED_TEMPERATURE=90
end
check heats.gcode --printer heat.toml --members 1 --at 2026-11-25T09:00:00+01:00 --json
check heats.gcode --printer heat-k.toml --members 1 --at 2026-11-25T09:00:00+01:00 --json
check heats.gcode --printer rig-4 --members 1 --at 2026-11-25T09:00:00+01:00
check in/clips.gcode --printer heat-k.toml --members 1 --at 2026-11-25T09:00:00+01:00
check in/manifold.gcode --printer heat.toml --members 1 --at 2026-11-25T09:00:00+01:00
watch in --once --done done.jsonl --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW}
watch in --once --done done.jsonl --spool shelf/petg-03.toml --printer bench-1 {AT} {FEW}
copy shelf out/nothing
watch in --out out --once --done more.jsonl --spool shelf/pa6-07.toml --printer three.toml {AT} {FEW}
changed in/manifold.gcode out/manifold.gcode
watch in --once --json --done third.jsonl --spool shelf/petg-03.toml --members 1 {AT}
check in/clips.gcode --printer one.toml --members 1 {AT}
check in/clips.gcode --printer two.toml --members 1 {AT}
check in/clips.gcode --printer four.toml --members 1 {AT}
file own/gcodetool.toml
| printer = "bench-2"
| members = 4
| confidence = 0.8
| tariff = 0.32
| currency = "EUR"
| dryer = "oven"
end
check in/clips.gcode --spool shelf/petg-03.toml {AT}
drying plan shelf/tpu-02.toml {AT}
docs
docs limits --path
serve --port 99999
frobnicate
spool
spool shwo
spool list --members 0
spool list --at tomorow
place size
due --within forever
"""

# Stories that take long are for what they are about: where it is asked which stories enter a source, not for the rest.
LONG: Mapping[str, tuple[str, ...]] = {
    "shelf": ("ledger", "app", "cli", "report", "judge", "moisture"),
    "evening": ("queue",),
    "storage": ("storage", "app", "cli", "report"),
    "drying": ("drying", "app", "cli", "report"),
    "serve": ("serve",),
}

STORIES: Mapping[str, str] = {  # the quick ones first
    **{f"table-{name}": f"table {name}" for name in (*TABLES, *INPUTS)},
    "adjust": ADJUST,
    "air": AIR,
    "doubts": DOUBTS,
    "others": OTHERS,
    "prepare": PREPARE,
    "limits": LIMITS,
    "review": REVIEW,
    "two-tools": TWO_TOOLS,
    "check": CHECK,
    "materials": MATERIALS,
    "series": SERIES,
    "dialects": DIALECTS,
    "queue": QUEUE,
    "serve": SERVE,
    "drying": DRYING,
    "storage": STORAGE,
    "evening": EVENING,
    "shelf": SHELF,
}
