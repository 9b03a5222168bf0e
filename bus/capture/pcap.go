package capture

import (
	"bufio"
	"io"

	"github.com/gopacket/gopacket/pcapgo"
)

// pcapFile reads the records of a pcap file, all of one link type.
type pcapFile struct {
	r    *pcapgo.Reader
	link uint32
}

// newPCAP reads the header of a file.
func newPCAP(r *bufio.Reader) (*pcapFile, error) {
	p, err := pcapgo.NewReader(r)
	if err != nil {
		return nil, err
	}
	return &pcapFile{p, uint32(p.LinkType())}, nil
}

func (p *pcapFile) next(k *packet) error {
	data, info, err := p.r.ZeroCopyReadPacketData()
	if err == io.EOF && info.CaptureLength > 0 {
		err = io.ErrUnexpectedEOF // the header of the record is there, its data are not
	}
	if err != nil {
		return err
	}
	*k = packet{link: p.link, data: data}
	if s := info.Timestamp.Unix(); s >= maxStamp/1e9 {
		k.reason = reasonRange
	} else {
		k.stamp = s*1e9 + int64(info.Timestamp.Nanosecond())
	}
	return nil
}
