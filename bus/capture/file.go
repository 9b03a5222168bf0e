package capture

import (
	"errors"
	"fmt"
	"io"
	"os"
)

// File is a capture that can be read several times: a file, or standard input
// spooled to a temporary one.
type File struct {
	o       Options
	path    string
	name    string
	spooled bool
}

// NewFile names a capture. The path "-" stands for in, which is read to its end
// at once into a temporary file of at most Options.SpoolLimit bytes; Close
// removes it. The file is not looked at yet.
func NewFile(path string, in io.Reader, o Options) (*File, error) {
	o = o.withDefaults()
	if path != "-" {
		return &File{o: o, path: path, name: path}, nil
	}
	t, err := os.CreateTemp("", "stalegauge-capture-*")
	if err != nil {
		return nil, fmt.Errorf("standard input: %w", err)
	}
	f := &File{o: o, path: t.Name(), name: "standard input", spooled: true}
	n, err := io.Copy(t, io.LimitReader(in, o.SpoolLimit+1))
	if err == nil && n > o.SpoolLimit {
		err = fmt.Errorf("more than the %d bytes that are kept of it; give the capture as a file or raise the limit", o.SpoolLimit)
	}
	if err2 := t.Close(); err == nil {
		err = err2
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("standard input: %w", err), f.Close())
	}
	return f, nil
}

// Open begins to read the capture; each reader is independent.
func (f *File) Open() (*Reader, error) {
	if !f.spooled {
		return Open(f.path, f.o)
	}
	file, err := os.Open(f.path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.name, err)
	}
	r, err := NewReader(f.name, file, f.o)
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	r.close = append(r.close, file.Close)
	return r, nil
}

// Scan reads the capture once.
func (f *File) Scan() (Summary, error) {
	r, err := f.Open()
	if err != nil {
		return Summary{}, err
	}
	defer r.Close()
	return Summarize(r)
}

// Close removes the temporary file, if there is one.
func (f *File) Close() error {
	if !f.spooled {
		return nil
	}
	f.spooled = false
	return os.Remove(f.path)
}
