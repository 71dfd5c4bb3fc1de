%
(Three Alders Joinery: two sides with tabs, a lid on a skin, a frame with its window)
G21 G90 G17 G40 G80
M10 (clamps)
(shelf pins in the sides)
T2 M6
S15000 M3
G0 Z30
G99 G82 X150 Y150 Z-19 R3 P0.2 F1500
X150 Y350
X450 Y150
X450 Y350
G80
G0 Z30
T1 M6
S18000 M3
(a side is 500 by 400; 6 mm cutter, path 3 mm outside, two passes, two tabs of 4 mm in the last)
O100 SUB
G0 X[#1 - 3] Y[#2 - 3]
#3 = -9
O101 WHILE [#3 GT -18]
G1 Z#3 F2000
X[#1 + 503] F6000
Y[#2 + 403]
X[#1 - 3]
Y[#2 - 3]
#3 = [#3 - 9]
O101 ENDWHILE
G1 Z-18.2 F2000
X[#1 + 240] F6000
Z-14
X[#1 + 260]
Z-18.2
X[#1 + 503]
Y[#2 + 403]
X[#1 + 260]
Z-14
X[#1 + 240]
Z-18.2
X[#1 - 3]
Y[#2 - 3]
G0 Z30
O100 ENDSUB
O100 CALL [50] [50]
O100 CALL [600] [50]
(the lid: a disc of radius 150 on a skin of 0.6)
G0 X147 Y700
G1 Z-9 F2000
G2 I153 J0 F6000
G1 Z-17.4 F2000
G2 I153 J0 F6000
G0 Z30
(the frame: window first, then the outline by a long ramp)
G0 X703 Y603
G1 Z-9 F2000
Y797 F6000
X997
Y603
X703
G1 Z-18.2 F2000
Y797 F6000
X997
Y603
X703
G0 Z30
G0 X647 Y547
Z1
G1 X1053 Z-9 F6000
Y853
X647
Y547
X1053 Z-18.2
Y853
X647
Y547
X1053
G0 Z30
M5
M11
M30
%
