// Package capture reads recorded bus traffic as a [bus.Source], and writes it.
//
// The shapes are told apart by their content: the SocketCAN text log (one frame a
// line, `(1522028512.233563) can0 254#918FFE0603A60FFF`), CSV with or without a
// header, pcap and pcapng of link type 227, and text of any other form by a
// [LineTemplate]; each also compressed (gzip). Several files make one capture, in
// a row or side by side. [Writer] writes pcapng. Memory is constant whatever the
// file's size; nothing is allocated per line or packet but by a template.
//
// The way of a line: [lines] cuts the file, a parser ([textParser], [csvParser])
// turns a line into an entry; that of a packet: [pcapFile] or [blocks] cut the
// file, [packets] makes the entry. [order] sorts entries that step back in time,
// all this in a [part] for each file, and [Reader] turns stamps into offsets and
// cuts long silences out of the time line. A further shape needs a parser or a
// packetReader, and a word in sniff.go.
//
// Nothing is lost in silence: every line or packet and every frame ends in exactly
// one counter of [Report].
//
// Stamps are exact: the decimal text becomes whole nanoseconds without passing
// through a float. Time zones play no part; a date without an offset is taken
// as UTC.
package capture
