package scenarios

// pump is a database beside the drive of driveLog: 1A0 with its pages, and a
// message that the drive does not have.
const pump = `VERSION "1"
BU_: pump valve
BO_ 416 Pump: 4 pump
 SG_ which M : 0|2@1+ (1,0) [0|3] "" X
 SG_ pressure m0 : 8|8@1+ (0.1,0) [0|20] "bar" X
 SG_ level m1 : 8|8@1+ (1,0) [0|200] "l" X
BO_ 1793 Valve: 2 valve
 SG_ opening : 0|8@1+ (0.5,0) [0|100] "%" X
 SG_ state : 8|2@1+ (1,0) [0|3] "" X
BO_ 1794 Rare: 1 valve
 SG_ odd : 0|8@1+ (1,0) [0|0] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 416 100;
BA_ "GenMsgCycleTime" BO_ 1793 200;
VAL_ 1793 state 0 "shut" 1 "moving" 2 "open" ;
`
