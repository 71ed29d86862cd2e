; called by config.g
M572 D0 S0.05
M572 D1 S0.07
M207 S1.0 R0.0 F2400 T1800 Z0
M566 E240 ; later than config.g's own line
