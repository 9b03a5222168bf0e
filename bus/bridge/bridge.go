package bridge

// Bridge is the device under design. It is passive: time is an argument.
type Bridge struct {
	cfg Config
}

// StageUse is how one stage of the bridge was used.
type StageUse struct {
	Name      string
	Busy      int64 // nanoseconds its server worked; meaningful when HasServer
	HasServer bool
	HighWater int    // most that waited at once
	Capacity  int    // 0 = unlimited
	Unit      string // "frames", "bytes", "broadcasts"
}
