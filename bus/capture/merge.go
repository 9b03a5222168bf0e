package capture

import "slices"

// counters lists what adds up over several files. Not in it: the figures of the
// time line, which the files share.
func (r *Report) counters() []*int64 {
	return []*int64{
		&r.Lines, &r.Blank, &r.Comments, &r.Header, &r.Unreadable, &r.OtherLink, &r.TooLong, &r.Read, &r.Padding,
		&r.OtherChannel, &r.Twins, &r.Damaged, &r.Late, &r.Frames,
		&r.Sorted, &r.WindowFull, &r.CutDigits, &r.Midnights,
		&r.Remote, &r.Errors, &r.Overruns, &r.FD, &r.RawDLC, &r.LengthCode, &r.ExtraBytes,
		&r.Compressed, &r.Truncated, &r.OtherBlock,
	}
}

// clone copies the slices.
func (r Report) clone() Report {
	r.Files = 1
	r.Layout, r.Channels = slices.Clone(r.Layout), slices.Clone(r.Channels)
	r.Links = slices.Clone(r.Links)
	r.Bad, r.Dropped = slices.Clone(r.Bad), slices.Clone(r.Dropped)
	return r
}

// add takes in the report of a further file.
func (r *Report) add(other Report) {
	mine, theirs := r.counters(), other.counters()
	for i := range mine {
		*mine[i] += *theirs[i]
	}
	r.Files++
	r.Name += ", " + other.Name
	r.Unequal = r.Unequal || other.Shape != r.Shape
	for _, l := range other.Layout {
		if l = other.Name + ": " + l; len(r.Layout) < maxLayout {
			r.Layout = append(r.Layout, l)
		}
	}
	named := func(to, from []BadLine) []BadLine {
		for _, b := range from {
			if b.File = other.Name; len(to) < shownLines {
				to = append(to, b)
			}
		}
		return to
	}
	r.Bad, r.Dropped = named(r.Bad, other.Bad), named(r.Dropped, other.Dropped)
	for _, l := range other.Links {
		at := slices.IndexFunc(r.Links, func(mine Link) bool { return mine.Type == l.Type })
		if at >= 0 {
			r.Links[at].Packets += l.Packets
		} else if len(r.Links) < maxLinks {
			r.Links = append(r.Links, l)
		}
	}
	for _, c := range other.Channels {
		at := slices.IndexFunc(r.Channels, func(mine Channel) bool { return mine.Name == c.Name })
		switch {
		case at >= 0:
			r.Channels[at].Frames += c.Frames
		case len(r.Channels) < maxChannels:
			r.Channels = append(r.Channels, c)
		default:
			r.Channels[maxChannels-1].Name = otherChannels
			r.Channels[maxChannels-1].Frames += c.Frames
		}
	}
}

// maxLayout bounds the lines about columns of many files.
const maxLayout = 64

// qualify puts the file's name before those of its channels.
func (r *Report) qualify(file string) {
	r.Channels = slices.Clone(r.Channels)
	for i := range r.Channels {
		if name := r.Channels[i].Name; name != "" {
			r.Channels[i].Name = file + " " + name
		} else {
			r.Channels[i].Name = file
		}
	}
}
