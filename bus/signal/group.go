package signal

import "stalegauge/bus"

// ParameterGroup returns the number of the parameter group that a 29-bit
// identifier carries (SAE J1939-21, 5.2: the extended data page, data page, format
// and group extension; below format 240 the group extension is the destination
// and not part of the number). Priority and sender are left out. ok is false for
// an 11-bit identifier.
func ParameterGroup(id bus.ID) (group uint32, ok bool) {
	if !id.IsExtended() {
		return 0, false
	}
	const firstBroadcast = 240
	group = id.Number() >> 8 & 0x3FFFF
	if group>>8&0xFF < firstBroadcast {
		group &^= 0xFF
	}
	return group, true
}

// SourceAddress returns the address of the sender in a 29-bit identifier of the
// heavy-vehicle family (SAE J1939-21, 5.2.6).
func SourceAddress(id bus.ID) uint8 { return uint8(id.Number()) }

// Match returns the message that a frame of this identifier carries: the first
// with the identifier itself, else one with its parameter group if that message
// or ByGroup says so. Of several of the group one with the frame's sender goes
// first, then the first of the file. Two senders' frames can thus be the same
// message; whoever keeps their values keeps the senders apart by [SourceAddress].
func (db *Database) Match(id bus.ID) (m *Message, ok bool) {
	if at, ok := db.byID[id]; ok {
		return &db.Messages[at], true
	}
	return db.matchGroup(id, db.ByGroup)
}

// MatchGroup returns the message with the identifier's parameter group, even where
// the database does not say that its messages go by group.
func (db *Database) MatchGroup(id bus.ID) (m *Message, ok bool) {
	return db.matchGroup(id, true)
}

func (db *Database) matchGroup(id bus.ID, asked bool) (m *Message, ok bool) {
	group, extended := ParameterGroup(id)
	if !extended {
		return nil, false
	}
	for _, at := range db.byGroup[group] {
		candidate := &db.Messages[at]
		if !asked && !candidate.ByGroup {
			continue
		}
		if SourceAddress(candidate.ID) == SourceAddress(id) {
			return candidate, true
		}
		if m == nil {
			m = candidate
		}
	}
	return m, m != nil
}

// index builds the tables for look-ups.
func (db *Database) index() {
	db.byID = make(map[bus.ID]int32, len(db.Messages))
	db.byGroup = map[uint32][]int32{}
	db.byName = map[string][]place{}
	for i := range db.Messages {
		m := &db.Messages[i]
		if _, twice := db.byID[m.ID]; !twice {
			db.byID[m.ID] = int32(i)
		}
		if group, ok := ParameterGroup(m.ID); ok {
			db.byGroup[group] = append(db.byGroup[group], int32(i))
		}
		for j := range m.Signals {
			name := m.Signals[j].Name
			db.byName[name] = append(db.byName[name], place{int32(i), int32(j)})
		}
	}
}
