// Package capture reads recorded bus traffic as a [bus.Source].
//
// Two shapes of text are read, told apart by their content: the SocketCAN text
// log (one frame a line, `(1522028512.233563) can0 254#918FFE0603A60FFF`) and
// CSV with or without a header. Memory is constant whatever the file's size;
// nothing is allocated per line.
//
// The way of a line: [lines] cuts the file, a parser ([textParser], [csvParser])
// turns a line into an entry, [order] sorts entries that step back in time,
// and [Reader] turns stamps into offsets and cuts long silences out of the time
// line. A further shape needs a parser, or a decoder of its own in front of
// order, and a word in sniff.go.
//
// Nothing is lost in silence: every line and every frame ends in exactly one
// counter of [Report].
//
// Stamps are exact: the decimal text becomes whole nanoseconds without passing
// through a float. Time zones play no part; a date without an offset is taken
// as UTC.
package capture
