package bridge

// LayoutSizes says how large the broadcasts of one layout are.
type LayoutSizes struct {
	Kind    LayoutKind
	Header  int   // bytes of a broadcast besides its records, the tag included
	Records []int // by slot: bytes of a record whose data are as long as the list says
	Fits    []int // by slot: how many such records go into one broadcast; 0 = it is too large
	// Broadcasts is how many it takes to send every entry once, in the order of
	// the list, without those that are too large.
	Broadcasts int
	// Bytes is the payload of these broadcasts together.
	Bytes int
}

// CompareLayouts returns the sizes of the forward list in every kind of layout
// that can hold it, with send time, ages and tag as the layout says, under a
// payload limit of the radio in bytes. They come from the encoder. The list must
// be free of the mistakes that [New] reports.
func CompareLayouts(layout Layout, list []Forward, maxPayload int) (all []LayoutSizes) {
	for kind := range layoutKinds {
		if kind.fixedLength() && len(list) > maxSlots {
			continue
		}
		layout.Kind = kind
		all = append(all, sizesOf(NewCodec(layout, list), maxPayload))
	}
	return all
}

func sizesOf(c *Codec, maxPayload int) LayoutSizes {
	s := LayoutSizes{Kind: c.layout.Kind, Header: c.header}
	room := maxPayload - c.header
	left, records := 0, 0
	for slot := range c.entries {
		size := c.RecordSize(slot, c.entries[slot].Length)
		s.Records = append(s.Records, size)
		s.Fits = append(s.Fits, max(0, min(room/size, maxRecords)))
		if size > room {
			continue
		}
		if left < size || records == maxRecords {
			s.Broadcasts++
			s.Bytes += c.header
			left, records = room, 0
		}
		s.Bytes += size
		left -= size
		records++
	}
	return s
}
