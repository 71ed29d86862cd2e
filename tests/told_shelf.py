"""Stories of the shelf, of drying and storing, and of what prints tell: scripts for ``told_stories``."""

FEW = "--members 8"

AT = "--at 2026-11-25T09:00:00+01:00"

SAMPLES = """
copy hose-clips-petg.gcode clips.gcode
copy hose-clips-tpu.gcode hose-tpu.gcode
copy drip-manifold-pa.gcode manifold.gcode
copy spacer-rings-pla.gcode rings.gcode
copy shelf
"""
PLACES = """
place add bench --kind open --temperature 22 --humidity 50 --at 2026-11-01T08:00
place add damp --kind open --temperature 24 --humidity 82 --humidity-accuracy 3 --accuracy 0.5 --at 2026-11-01T08:00
place add box-2 --kind box --temperature 22 --humidity 14 --at 2026-11-01T08:00
place add box-3 --kind box --temperature 22 --room bench --air 18 --desiccant "silica gel" --desiccant-mass 110 --fresh-at 2026-10-20T08:00 --slots 4 --at 2026-11-01T08:00
place add bag-1 --kind sealed --room bench --film polyethylene --desiccant clay --desiccant-mass 15 --at 2026-11-01T08:00
place add bag-2 --kind sealed --at 2026-11-01T08:00
place add jar --kind box --temperature 22 --solution "sodium chloride" --at 2026-11-01T08:00
place add oven --kind dryer --temperature 65 --room bench --set-offset 4 --swing 3 --max-temperature 90 --slots 3 --watts 600 --at 2026-11-01T08:00
place add dehydrator --kind dryer --temperature 60 --room damp --draught 2 --at 2026-11-01T08:00
place add air-dryer --kind dryer --temperature 75 --dew-point=-20 --at 2026-11-01T08:00
place add bench-1 --kind printer --printer bench-1 --room damp --at 2026-11-01T08:00
place add rig-4 --kind printer --printer rig-4 --room bench --fed-from box-3 --at 2026-11-01T08:00
"""

SPOOLS = """
spool add petg-03 --material PETG --net-mass 1000 --body polystyrene --body-mass 230 --found-open --place bench --at 2026-11-01T09:00
spool add petg-04 --material PETG --net-mass 750 --body cardboard --body-mass 180 --line "matt black" --colour black --sealed --place box-3 --at 2026-11-01T09:00
spool add pa6-07 --material PA6 --net-mass 750 --body abs --body-mass 210 --hub 80 --width 55 --place bench --sealed --at 2026-11-01T09:00
spool add pla-11 --material PLA --diameter 2.85 --net-mass 1000 --left 640 --place bench --found-open --at 2026-11-01T09:00
spool add tpu-05 --material TPU --net-mass 500 --body polycarbonate --body-mass 190 --place bag-1 --water 0.03 --at 2026-11-01T09:00
spool add pva-02 --material PVA --net-mass 500 --place bag-2 --sealed --at 2026-11-01T09:00
spool add abs-01 --material ABS --net-mass 1000 --fibre 15 --place damp --found-open --safe-exposure 20 --at 2026-11-01T09:00
spool add pc-01 --material PC --net-mass 1000 --gross 1100 --body polycarbonate --body-mass 250 --place bench --at 2026-11-01T09:00
"""

WEEK = """
spool dried pa6-07 --hours 10 --temperature 78 --dryer oven --at 2026-11-03T07:00
spool weigh pa6-07 958.2 --at 2026-11-03T07:05
spool move pa6-07 rig-4 --tool 0 --at 2026-11-03T07:10
spool dried petg-03 tpu-05 --hours 6 --knob 64 --dryer oven --to box-3 --at 2026-11-04T15:00
spool inspect petg-03 --bubbles few --no-oozes --no-pops --at 2026-11-04T16:00
spool fed petg-03 --mass 40 --at 2026-11-05T16:00 --strings few --parts good --nozzle 240
spool fed pla-11 --length 12000 --at 2026-11-05T17:00
spool cut petg-03 petg-03-a --mass 30 --at 2026-11-06T08:00
spool move petg-03-a jar --at 2026-11-06T08:05
place read bench --humidity 55 --temperature 21.5 --at 2026-11-06T08:00
place read oven --temperature 70 --knob 78 --at 2026-11-06T08:30
spool weigh tpu-05 688.4 --resolution 1 --at 2026-11-06T09:00
spool move tpu-05 bench-1 --at 2026-11-07T07:00
spool move petg-03 dehydrator --temperature 62 --at 2026-11-07T06:00
spool move pc-01 air-dryer --temperature 80 --at 2026-11-07T01:00
spool outcome pla-11 --strings many --surface rough --parts usable --because water --at 2026-11-06T18:00
"""

SHELF = (
    "copy drip-manifold-pa.gcode jobs/drip-manifold-pa.gcode"
    + PLACES
    + SPOOLS
    + WEEK
    + """
save report.json check jobs/drip-manifold-pa.gcode --spool pa6-07 --printer rig-4 --members 1 --at 2026-11-03T08:00 --json
spool fed pa6-07 --job report.json --strings none --parts good --at 2026-11-03T11:00
spool fed pa6-07 --job report.json --at 2026-11-03T11:00
spool fed petg-03 --job report.json --at 2026-11-05T11:00
spool outcome pa6-07 --job report.json --surface matt --at 2026-11-03T12:00
# what there is
spool list --at 2026-11-07T09:00
spool list --members 8 --json --at 2026-11-07T09:00
spool list --members 1 --place bench --at 2026-11-09T09:00
spool list --members 8 --material PETG --all --at 2026-11-20T09:00
place list --at 2026-11-07T09:00
place list --json --at 2026-11-07T09:00
spool show petg-03 --members 8 --at 2026-11-07T09:00
spool show petg-03 --members 4 --json --at 2026-11-07T09:00
spool show pa6-07 --members 8 --at 2026-11-07T09:00 --history 3
spool show tpu-05 --members 8 --at 2026-11-07T09:00
spool show pla-11 --members 8 --at 2026-11-07T09:00
spool show petg-03-a --members 1 --at 2026-11-07T09:00
spool show pc-01 --members 8 --at 2026-11-07T09:00
spool show abs-01 --members 8 --json --at 2026-11-07T09:00
spool show pva-02 --members 1 --at 2026-11-07T09:00
place show bench --at 2026-11-07T09:00
place show box-3 --at 2026-11-07T09:00
place show oven --json --at 2026-11-07T09:00
place show jar --at 2026-11-07T09:00
place show bag-1 --at 2026-11-07T09:00
place show rig-4 --at 2026-11-07T09:00 --history 1
# what is due
copy hose-clips-petg.gcode jobs/hose-clips-petg.gcode
due --members 4 --within 3d --ics due.ics --jobs jobs --printer rig-4 --at 2026-11-07T09:00
show due.ics
due --members 4 --within 2h --json --at 2026-11-07T09:00
drying list --members 8 --at 2026-11-07T09:00 --tariff 0.30
drying list --members 8 --at 2026-11-07T09:00 --json
# corrections
spool set pc-01 --colour clear --fibre 10 --forget body --at 2026-11-07T10:00
spool undo pla-11 --at 2026-11-07T10:00
spool retire abs-01 --note empty --at 2026-11-07T10:00
place set oven --temperature 66 --forget swing --at 2026-11-07T10:00
place renewed box-3 --mass 150 --at 2026-11-07T10:00
place undo box-3 --at 2026-11-07T10:01
place undo box-3 --json --at 2026-11-07T10:02
spool move pa6-07 oven --temperature 120 --at 2026-11-07T11:00
spool move pa6-07 oven --temperature 80 --at 2026-11-01T01:00
spool weigh pa6-07 2000 --at 2026-11-07T11:00
spool weigh pa6-07 650 --at 2026-11-07T11:00
spool weigh pa6-07 961 --at 2026-11-07T11:00
spool fed pa6-07 --mass 900 --at 2026-11-07T11:00
spool inspect pa6-07 --bubbles many --oozes --pops --at 2026-11-07T11:05
spool inspect pc-01 --winding deformed --free-end sags --at 2026-11-07T11:05
spool show pa6-07 --members 8 --at 2026-11-07T12:00 --history 20
spool show pc-01 --members 8 --at 2026-11-07T12:00
spool list --members 8 --all --at 2026-11-07T12:00
# the record itself
ledger check
ledger check --json
spool export petg-03 -o petg-03.toml
show petg-03.toml
spool export pa6-07
show petg-03.bench.csv
ledger backup -o friday.sqlite
spool import petg-03.toml --as petg-13
spool show petg-13 --members 1 --at 2026-11-07T12:00
spool label pa6-07 petg-03 -o labels.pdf
spool label pa6-07 -o labels.gif
ledger restore friday.sqlite
"""
)

AIR = """
place add bench --kind open --temperature 22 --humidity 48 --at 2026-11-02T08:00
place add oven --kind dryer --temperature 65 --room bench --at 2026-11-02T08:00
place add box-2 --kind box --temperature 22 --room bench --air 12 --at 2026-11-02T08:00
spool add petg-03 --material PETG --place bench --found-open --at 2026-11-02T08:10
file hygrometer.csv
| Zeit;Temperatur °C;Feuchte %
| 04.11.2026 09:00;21,4;54,0
| 04.11.2026 10:00;21,6;53,5
| 04.11.2026 11:00;21,9;52,0
| 04.11.2026 12:00;22,3;51,5
| 04.11.2026 17:00;22,0;53,0
| 04.11.2026 18:00;21,8;54,5
end
file american.csv
| Timestamp,Temp F,RH
| 11/15/2026 1:00 PM,70.5,45
| 11/15/2026 1:30 PM,71.0,46
| 11/15/2026 2:00 PM,71.6,44.5
end
file unsure.csv
| time,temperature,humidity
| 03/04/2026 08:00,20.5,45
| 03/04/2026 09:00,20.6,46
end
file wrong.csv
| time,temperature,humidity
| 2026-11-04 08:00,20.5,145
end
file epoch.csv
| unixtime;temp;hum
| 1794000000;20.5;45
| 1794000600;20.7;45.5
| 1794001200;20.9;46
end
place log bench hygrometer.csv --dry-run
place log bench hygrometer.csv
place log bench hygrometer.csv --json
place log bench american.csv --zone America/New_York
place log bench unsure.csv
place log bench unsure.csv --days dmy --dry-run
place log bench wrong.csv
place log bench epoch.csv
place log bench missing.csv
place show bench --at 2026-11-16T19:00
place show bench --json --at 2026-11-04T11:30
place list --at 2026-11-04T19:00
spool show petg-03 --members 8 --at 2026-11-16T12:00
copy storage/bench.csv
copy storage/box-2.csv
place log bench bench.csv
place log box-2 box-2.csv
place show box-2 --at 2026-11-16T08:00
spool move petg-03 box-2 --at 2026-11-09T09:00
spool show petg-03 --members 8 --at 2026-11-16T08:00
check hose-clips-petg.gcode --spool petg-03 --at 2026-11-16T08:00
copy hose-clips-petg.gcode
check hose-clips-petg.gcode --spool petg-03 --members 8 --at 2026-11-16T08:00
place sensor box-2 --name hygrometer-2 --ledger none.sqlite
spool export petg-03 -o petg-03.toml
show petg-03.toml
spool export petg-03 -o petg-03.toml
ledger check
"""

DRYING = (
    SAMPLES
    + PLACES
    + SPOOLS
    + WEEK
    + """
spool add pa6-09 --material PA6 --net-mass 750 --body abs --body-mass 210 --found-open --place bench --at 2026-11-01T09:00
spool move pa6-09 oven --temperature 76 --at 2026-11-06T08:00
spool weigh pa6-09 973.9 --at 2026-11-06T08:05
spool weigh pa6-09 970.4 --at 2026-11-06T10:05
spool weigh pa6-09 968.6 --at 2026-11-06T12:05
spool weigh pa6-09 967.3 --at 2026-11-06T14:05
spool weigh pa6-09 966.4 --at 2026-11-06T16:05
# plans
drying plan petg-04 --members 8 --at 2026-11-07T09:00
drying plan abs-01 --members 8 --more --tariff 0.30 --at 2026-11-07T09:00
drying plan abs-01 --members 8 --json --at 2026-11-07T09:00
drying plan pva-02 --dryer oven --members 8 --more --at 2026-11-07T09:00
drying plan pa6-07 --dryer oven --members 8 --more --for manifold.gcode --printer rig-4 --tariff 0.30 --at 2026-11-07T09:00
drying plan pa6-07 --dryer oven --members 8 --for manifold.gcode --printer rig-4 --json --at 2026-11-07T09:00
drying plan pa6-07 --dryer dehydrator --members 8 --hours 30 --more --at 2026-11-07T09:00
drying plan pa6-07 --dryer sealed-box --members 8 --temperature 24 --humidity 60 --more --at 2026-11-07T09:00
drying plan pa6-07 --dryer heated-box --members 8 --temperature 20 --humidity 40 --at 2026-11-07T09:00
drying plan pla-11 --dryer oven --members 8 --at-most 50 --more --at 2026-11-07T09:00
drying plan pla-11 --dryer oven --members 8 --to 0.1 --at 2026-11-07T09:00
drying plan pa6-07 --dryer jar --members 8 --to 1.5 --at 2026-11-07T09:00
drying plan tpu-05 --dryer desiccant-dryer --members 8 --power 150 --tariff 0.4 --more --at 2026-11-07T09:00
drying plan tpu-05 --dryer bag-1 --members 8 --at 2026-11-07T09:00
drying plan tpu-05 petg-03 pla-11 --dryer oven --members 8 --more --at 2026-11-07T09:00
drying plan tpu-05 abs-01 --dryer oven --members 8 --json --at 2026-11-07T09:00
drying plan tpu-05 --dryer oven --members 8 --confidence 0.9 --at 2026-11-07T09:00
drying plan tpu-05 --dryer kiln --members 8 --at 2026-11-07T09:00
drying plan shelf/tpu-02.toml --members 1 --at 2026-11-25T09:00
drying plan shelf/pla-11.toml --dryer oven --room bench --members 8 --json --at 2026-11-25T09:00
# is it done
drying status pa6-09 --members 8 --at 2026-11-06T16:10
drying status pa6-09 --members 8 --json --at 2026-11-06T16:10
drying status pa6-09 --members 8 --for manifold.gcode --printer rig-4 --at 2026-11-07T08:00 --tariff 0.3
drying status pa6-09 --members 8 --to 0.5 --at 2026-11-08T08:00 -o drying.html
page drying.html
drying status dehydrator --members 8 --at 2026-11-07T09:00
drying status air-dryer --members 8 --at 2026-11-08T09:00
drying status pla-11 --members 8 --at 2026-11-08T09:00
drying fit pa6-09 --members 8 --at 2026-11-06T16:10
drying fit pa6-09 --members 8 --json --at 2026-11-06T16:10
drying list --members 8 --at 2026-11-08T09:00 --tariff 0.30
file oven.csv
| time,temperature_C
| 2026-11-06T08:00:00+01:00,31.0
| 2026-11-06T08:10:00+01:00,55.5
| 2026-11-06T08:20:00+01:00,70.2
| 2026-11-06T08:30:00+01:00,77.8
| 2026-11-06T08:40:00+01:00,74.1
| 2026-11-06T08:50:00+01:00,78.0
| 2026-11-06T09:00:00+01:00,73.9
| 2026-11-06T09:10:00+01:00,77.5
| 2026-11-06T09:20:00+01:00,74.4
| 2026-11-06T09:30:00+01:00,77.9
| 2026-11-06T09:40:00+01:00,74.0
end
drying fit pa6-09 --members 8 --log oven.csv --knob 80 --at 2026-11-06T16:10
drying fit pa6-09 --members 8 --log oven.csv --at 2026-11-06T16:10 --json
drying fit pla-11 --members 8 --at 2026-11-06T16:10
"""
)

MATERIALS = "".join(
    f"""
spool add {name.lower()}-1 --material {name} --net-mass 750 --body {body} --body-mass 200 --place bench --found-open --at 2026-11-01T08:00
drying plan {name.lower()}-1 --dryer dehydrator --members 4 --more --at 2026-11-10T08:00
spool show {name.lower()}-1 --members 4 --at 2026-11-10T08:00
"""
    for name, body in (
        ("ABS", "abs"),
        ("ASA", "polypropylene"),
        ("HIPS", "cardboard"),
        ("PA12", "polycarbonate"),
        ("PA6-66", "recycled-pla"),
        ("PC", "polystyrene"),
        ("PCTG", "abs"),
        ("PEEK", "metal-or-glass-filled"),
        ("PEI", "polycarbonate"),
        ("PP", "abs"),
        ("PVA", "cardboard"),
        ("PLA", "recycled-pla"),
    )
)
MATERIALS = f"""
place add bench --kind open --temperature 23 --humidity 55 --at 2026-11-01T08:00
place add dehydrator --kind dryer --temperature 70 --max-temperature 120 --room bench --at 2026-11-01T08:00
{MATERIALS}
spool list --members 4 --at 2026-11-10T08:00
"""

STORAGE = """
place add bench --kind open --temperature 22 --humidity 50 --at 2026-11-09T08:00
place add oven --kind dryer --temperature 65 --room bench --at 2026-11-09T08:00
place add desiccant-dryer --kind dryer --temperature 65 --dew-point=-20 --at 2026-11-09T08:00
place add bench-1 --kind printer --printer bench-1 --room bench --at 2026-11-09T08:00
place add box-2 --kind box --temperature 22 --room bench --air 18 --desiccant "silica gel" --desiccant-mass 110 --fresh-at 2026-11-09T08:00 --at 2026-11-09T08:00
place add box-9 --kind box --temperature 22 --room bench --air 8 --desiccant-mass 0 --at 2026-11-09T08:00
copy storage/bench.csv
copy storage/box-2.csv
copy hose-clips-tpu.gcode hose-tpu.gcode
place log bench bench.csv
place log box-2 box-2.csv
spool add petg-03 --material PETG --net-mass 1000 --body polycarbonate --place bench --at 2026-11-09T08:00
spool add tpu-05 --material TPU --net-mass 750 --body cardboard --place bench --at 2026-11-09T08:00
place fit box-2 --at 2026-11-12T08:00
place fit box-2 --keep --at 2026-11-16T08:00
place fit box-2 --json --at 2026-11-16T08:00
place fit box-9 --at 2026-11-16T08:00
place show box-2 --at 2026-11-16T08:00
place size box-2 --spools petg-03 --members 8 --until 2026-12-24T08:00 --at 2026-11-09T08:10
spool dried petg-03 --hours 24 --temperature 65 --dryer oven --at 2026-11-16T08:00
spool dried tpu-05 --hours 48 --temperature 65 --dryer desiccant-dryer --at 2026-11-16T08:00
place size box-2 --spools petg-03,tpu-05 --members 8 --until 2026-12-24T08:00 --price "silica gel=8.50" --price clay=4 --at 2026-11-16T08:00
place size box-2 --spools petg-03 --members 8 --openings-per-week 5 --humidity-max 15 --json --at 2026-11-16T08:00
place size box-9 --spools petg-03 --members 8 --openings-per-week 0 --at 2026-11-16T08:00
place size bench --spools petg-03 --at 2026-11-16T08:00
place renewed box-2 --mass 250 --at 2026-11-16T08:10
place renewed box-2 --desiccant clay --mass 100 --at 2026-11-17T08:10
place show box-2 --at 2026-11-18T08:00
check hose-tpu.gcode --spool tpu-05 --printer bench-1 --feed box-2 --members 8 --at 2026-11-16T09:00
check hose-tpu.gcode --spool tpu-05 --printer bench-1 --members 8 --at 2026-11-16T09:00 --json
spool move petg-03 box-2 --at 2026-11-16T09:00
spool move tpu-05 box-2 --at 2026-11-16T09:30
spool show tpu-05 --members 8 --at 2026-11-30T08:00
spool list --members 8 --at 2026-12-03T08:00
due --members 8 --within 90d --at 2026-11-16T10:00
"""

LIMITS = """
place add desk --kind open --temperature 22 --humidity 55 --at 2026-09-30T08:00
place add oven --kind dryer --temperature 65 --room desk --at 2026-09-30T08:00
spool add petg-01 --material PETG --place desk --found-open --at 2026-10-01
spool add petg-02 --material PETG --place desk --found-open --line "matt black" --at 2026-10-01
spool add pla-01 --material PLA --place desk --found-open --at 2026-10-01
spool outcome petg-01 --strings few --at 2026-10-10
spool outcome petg-01 --strings few --bubbles none --at 2026-10-12
spool outcome petg-01 --strings many --surface matt --parts usable --at 2026-10-14
spool outcome petg-01 --strings none --because other --at 2026-10-16
spool inspect petg-01 --bubbles few --oozes --at 2026-10-16T12:00
spool dried petg-02 --hours 8 --temperature 65 --dryer oven --at 2026-10-15T12:00
spool outcome petg-02 --strings none --surface smooth --parts good --nozzle 245 --at 2026-10-15T14:00
spool outcome petg-02 --strings many --bubbles many --parts scrap --at 2026-10-18T14:00
limits show PETG --members 8 --at 2026-10-20
limits show PETG --members 8 --records --at 2026-10-20 -o limits.html
page limits.html
limits show PETG --members 8 --line "matt black" --json --at 2026-10-20
limits show PLA --members 8 --at 2026-10-20
limits adopt PETG --members 8 --at 2026-10-20
show own/materials/petg.toml
profiles list materials
spool show petg-01 --members 8 --at 2026-10-20
limits adopt PETG --members 8 --line "matt black" --at 2026-10-20
spool list --members 8 --at 2026-10-20
limits show PETG --members 8 --at 2026-10-21
limits drop PETG
limits drop PETG
limits adopt PLA --members 8 --at 2026-10-20
"""

SERIES = """
place add bench --kind open --temperature 22 --humidity 48 --at 2026-11-01T08:00
place add oven --kind dryer --temperature 65 --room bench --slots 4 --at 2026-11-01T08:00
place add bag --kind sealed --leak 0.002 --at 2026-11-01T08:00
spool add petg-03 --material PETG --body-mass 230 --place bench --at 2026-11-01T08:00
copy hose-clips-petg.gcode clip.gcode
file plan.toml
| id = "clip-petg-1"
| question = "How damp may PETG be for a hose clip that must hold?"
| job = "clip.gcode"
| spool = "petg-03"
| reference = "dried"
| prints = 2
| smallest_difference_pct = 20
| [state.as-found]
| [state.dried]
| dry = "oven"
| [state.shelf-week]
| after = "dried"
| place = "bench"
| hours = 168
| [state.at-75-rh]
| after = "dried"
| place = "jar"
| [place.jar]
| kind = "box"
| temperature_C = 22
| solution = "sodium chloride"
| [quantity.pull_off_force]
| unit = "N"
| better = "higher"
| specimens = 3
| spread_pct = 4
| [quantity.surface]
| scale = [0, 5]
| better = "higher"
end
series plan plan.toml --members 8 --at 2026-11-05T08:00
series plan plan.toml --members 8 --at 2026-11-05T08:00 --json
series plan plan.toml --members 8 --at 2026-11-05T08:00 -o plan.html
page plan.html
series start plan.toml --members 8 --at 2026-11-05T08:00
spool cut petg-03 petg-03-as-found --mass 12 --at 2026-11-05T08:00
spool cut petg-03 petg-03-dried --mass 12 --at 2026-11-05T08:00
spool cut petg-03 petg-03-at-75-rh --mass 12 --at 2026-11-05T08:00
spool dried petg-03-dried --hours 4 --temperature 65 --dryer oven --to bench --at 2026-11-12T10:00
spool move petg-03-at-75-rh bag --at 2026-11-05T09:00
series show clip-petg-1
prepare clip.gcode -o out.gcode --spool petg-03-dried --place bench --series clip-petg-1 --state dried --members 8 --at 2026-11-12T10:10
changed clip.gcode out.gcode
prepare clip.gcode -o out.gcode --spool petg-03-as-found --place bench --series clip-petg-1 --state as-found --members 8 --at 2026-11-12T11:10
prepare clip.gcode -o out.gcode --spool petg-03-as-found --place bench --series clip-petg-1 --state as-found --members 8 --at 2026-11-12T12:10
prepare clip.gcode -o out.gcode --spool petg-03-dried --place bench --series clip-petg-1 --state dried --members 8 --at 2026-11-12T13:10
prepare clip.gcode -o out.gcode --spool petg-03-at-75-rh --place bench --series clip-petg-1 --state at-75-rh --members 8 --at 2026-11-12T14:10
file clips.csv
| state;print;specimen;quantity;value
| dried;1;1;pull_off_force;42,1
| dried;1;2;pull_off_force;41,2
| dried;1;3;pull_off_force;42,5
| dried;2;1;pull_off_force;41,9
| dried;2;2;pull_off_force;42,8
| as-found;1;1;pull_off_force;36,4
| as-found;1;2;pull_off_force;37,5
| as-found;1;3;pull_off_force;38,0
| as-found;2;1;pull_off_force;35,1
| at-75-rh;1;1;pull_off_force;28,2
| at-75-rh;1;2;pull_off_force;27,1
| dried;1;1;surface;5
| dried;2;1;surface;5
| as-found;1;1;surface;4
| as-found;2;1;surface;3
| at-75-rh;1;1;surface;1
end
series result clip-petg-1 clips.csv --at 2026-11-13T08:00
series result clip-petg-1 --state dried --print 2 --specimen 2 pull_off_force=41 --at 2026-11-13T08:10
series result clip-petg-1 --state dried --print 2 --specimen 2 pull_off_force=41 --force --at 2026-11-13T08:10
series result clip-petg-1 --state dried --print 2 --specimen 3 pull_off_force=90 --at 2026-11-13T08:11
series undo clip-petg-1 --at 2026-11-13T08:12
series list
series show clip-petg-1
series show clip-petg-1 --json
series report clip-petg-1 --at 2026-11-14T08:00
series report clip-petg-1 --at 2026-11-14T08:00 --json
series report clip-petg-1 --at 2026-11-14T08:00 -o report.html
page report.html
series export clip-petg-1 -o all.csv
show all.csv
limits show PETG --members 8 --at 2026-11-15
"""

SERVE = (
    PLACES
    + SPOOLS
    + WEEK
    + """
pages / /due /places /s/petg-03 /s/pa6-07 /p/box-3 /p/oven /p/bench /s/nothing /jobs /due.ics
"""
)

DOUBTS = (
    PLACES
    + SPOOLS
    + "".join(
        f"spool weigh pa6-07 {grams} --at 2026-11-02T0{8 + at // 6}:0{at % 6}\n"
        for at, grams in enumerate((1072, 1071, 1049.9, 1050, 970, 968, 966, 951, 950, 949, 209, 210))
    )
    + """
spool fed pa6-07 --length 200 --at 2026-11-02T10:00
spool fed pa6-07 --mass 499 --at 2026-11-02T10:05
spool fed pa6-07 --mass 501 --at 2026-11-02T10:06
spool fed pa6-07 --mass 750.7 --at 2026-11-12T10:06
spool fed pa6-07 --mass 751 --at 2026-11-22T10:06
spool fed pa6-07 --mass 751 --force --at 2026-11-22T10:07
spool weigh pla-11 900 --at 2026-11-02T08:00
spool weigh pla-11 2500 --at 2026-11-02T08:00
spool weigh pla-11 850 --at 2026-11-03T08:00
spool weigh pva-02 5 --at 2026-11-02T08:00
spool weigh pva-02 1800 --at 2026-11-02T08:00
spool move tpu-05 oven --temperature 90 --at 2026-11-02T08:00
spool move tpu-05 oven --temperature 91 --at 2026-11-02T09:00
spool move petg-03 oven --temperature 60 --at 2026-11-02T09:00
spool move petg-03 oven --knob 64 --at 2026-11-02T09:10
spool move petg-04 oven --at 2026-11-02T10:00
spool move abs-01 oven --at 2026-11-02T10:30
spool move pc-01 oven --at 2026-11-02T11:00
spool move pc-01 bench-1 --tool 1 --at 2026-11-02T12:00
spool move abs-01 bench-1 --tool 1 --at 2026-11-02T12:30
spool move pc-01 nowhere --at 2026-11-02T13:00
spool dried pla-11 --hours 30 --at 2026-11-02T13:00
spool dried pla-11 --hours 4 --temperature 44 --dryer oven --at 2026-11-03T13:00
spool dried pla-11 --hours 4 --temperature 70 --dryer oven --at 2026-11-04T13:00
spool dried pla-11 --hours 10001 --at 2026-11-04T13:00
spool cut pla-11 pla-11-b --mass 900 --at 2026-11-05T08:00
spool cut pla-11 pla-11-b --length 50 --winding wound --at 2026-11-05T08:00
spool weigh pla-11-b 0.4 --at 2026-11-05T08:10
spool weigh pla-11-b 3 --resolution 0.01 --at 2026-11-05T08:11
spool inspect pva-02 --at 2026-11-05T08:11
spool outcome pva-02 --because water --at 2026-11-05T08:11
place read bench --humidity 101 --at 2026-11-05T08:11
place read bench --humidity 52 --temperature -41 --at 2026-11-05T08:11
place read bench --humidity 52 --at 2026-11-05T08:11
place read bench --humidity 52 --at 2026-11-05T08:11
place read oven --temperature 58 --at 2026-11-05T08:11
place read oven --temperature 150 --knob 60 --at 2026-11-05T08:12
place read oven --temperature 70 --knob 60 --at 2026-11-05T08:12
place read oven --temperature 94 --knob 80 --force --at 2026-11-05T08:13
place read box-2 --humidity 15 --temperature 21 --at 2026-11-05T08:11
place set box-3 --air 20 --exchange 0.002 --at 2026-11-05T08:12
place set bench --room bench --at 2026-11-05T08:12
place set oven --room oven --at 2026-11-05T08:12
place set oven --max-temperature 50 --at 2026-11-05T08:12
place set bag-1 --leak 0.05 --at 2026-11-05T08:12
place set bag-1 --desiccant sand --at 2026-11-05T08:12
place add moon --kind open --temperature 20 --at 2026-11-05T08:12
place add box-7 --kind box --temperature 20 --at 2026-11-05T08:12
place add oven-2 --kind dryer --at 2026-11-05T08:12
place add p-9 --kind printer --printer bench-9 --room bench --at 2026-11-05T08:12
place add bad-1 --kind sealed --film tinfoil --at 2026-11-05T08:12
place renewed bench --at 2026-11-05T08:12
place renewed box-2 --at 2026-11-05T08:12
spool add pa6-07 --material PA6 --place bench --at 2026-11-05T08:12
spool add petg-09 --material PETTG --place bench --at 2026-11-05T08:12
spool add petg-09 --material PETG --place bench --left 1200 --at 2026-11-05T08:12
spool add petg-09 --material PETG --place bench --hub 300 --outer 200 --at 2026-11-05T08:12
spool add petg-09 --material PETG --place bench --water 9 --at 2026-11-05T08:12
spool add "petg 09" --material PETG --place bench --at 2026-11-05T08:12
spool set pla-11 --received 2026-11-03T08:00 --at 2026-11-05T08:12
spool undo pla-11 3 --at 2026-11-05T08:12
spool retire pla-11 --at 2026-11-05T08:15
spool move pla-11 bench --at 2026-11-05T08:16
spool show pla-11 --members 1 --history 30 --at 2026-11-05T09:00
spool show pa6-07 --members 1 --history 30 --at 2026-11-23T09:00
place show oven --at 2026-11-05T09:00
# two shelves become one
ledger backup -o other.sqlite
spool move tpu-05 box-2 --at 2026-11-06T08:00
spool export tpu-05 -o tpu.toml
spool add nylon-1 --material PA12 --place bench --at 2026-11-06T08:00 --ledger second.sqlite
place add bench --kind open --temperature 20 --humidity 40 --at 2026-11-01T08:00 --ledger second.sqlite
spool add nylon-1 --material PA12 --place bench --at 2026-11-06T08:00 --ledger second.sqlite
spool import other.sqlite --merge --ledger second.sqlite
spool import other.sqlite --merge --keep-places --ledger second.sqlite
spool import tpu.toml --merge --ledger second.sqlite
spool import tpu.toml --ledger second.sqlite
spool list --members 1 --at 2026-11-07T08:00 --ledger second.sqlite
place list --at 2026-11-07T08:00 --ledger second.sqlite
ledger check --ledger second.sqlite
"""
)
