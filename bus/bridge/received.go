package bridge

// Received is where a receiver keeps the broadcasts that it rebuilds from
// datagrams. The zero value is empty and ready; it is not safe for use by several
// goroutines.
type Received struct{ idle []*Broadcast }

// New returns a broadcast without records that the caller holds. After the last
// [Broadcast.Release] it is used again.
func (r *Received) New() *Broadcast {
	n := len(r.idle)
	if n == 0 {
		return &Broadcast{room: r, holders: 1}
	}
	c := r.idle[n-1]
	r.idle = r.idle[:n-1]
	*c = Broadcast{room: r, holders: 1, Records: c.Records[:0]}
	return c
}
