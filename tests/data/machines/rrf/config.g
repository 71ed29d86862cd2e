; rig-4: the large enclosed machine
G90                                   ; absolute
M83
M550 P"rig-4; the large one"          ; the name holds a semicolon
M669 K1                               ; both motors move X and Y
M584 X0 Y1 Z2 E3:4
M350 X16 Y16 Z16 E16:16 I1
M92 X80 Y80 Z400 E420:420
M208 X-5:300 Y0:300
M208 Z0 S1
M208 Z300 S0
M201 X1000 Y1000 Z200 E500:450        (acceleration)
M203 X6000 Y6000 Z1200 E6000:6000 I30
M566 X900 Y900 Z600 E300:300 P1
m204 p1000 t1500
M98 P"extruder.g"
M98 P"/sys/absent.g"
M501
if {move.axes[0].homed}
  M203 X30000
  G1 X10
var fast = 12000
M201 Z{global.zAccel}
M563 P0 D0 H1
M143 H0 S120
M143 H1 S300
M404 N1.75 D0.4
