package capture

import (
	"errors"
	"fmt"
	"io"
	"os"
)

// File is a capture that can be read several times: files, or standard input
// spooled to a temporary one.
type File struct {
	o       Options
	files   []later
	spooled string // path of the temporary file
}

// NewFile names a capture of one file, see [NewFiles].
func NewFile(path string, in io.Reader, o Options) (*File, error) {
	return NewFiles([]string{path}, in, o)
}

// NewFiles names a capture of one file or several, in a row or side by side as
// Options.Arrangement says. The path "-" stands for in, which is read to its end
// at once into a temporary file of at most Options.SpoolLimit bytes; Close
// removes it. The other files are not looked at yet.
func NewFiles(paths []string, in io.Reader, o Options) (*File, error) {
	f := &File{o: o.withDefaults()}
	switch n := len(paths); {
	case n == 0:
		return nil, errors.New("a capture without a file")
	case n > MaxFiles:
		return nil, fmt.Errorf("%d files, a capture has at most %d", n, MaxFiles)
	}
	for _, path := range paths {
		if path != "-" {
			f.files = append(f.files, later{path, path})
			continue
		}
		if f.spooled != "" {
			return nil, errors.Join(errors.New("standard input can be read once only"), f.Close())
		}
		if err := f.spool(in); err != nil {
			return nil, errors.Join(fmt.Errorf("standard input: %w", err), f.Close())
		}
		f.files = append(f.files, later{"standard input", f.spooled})
	}
	return f, nil
}

// spool copies standard input to a temporary file.
func (f *File) spool(in io.Reader) error {
	t, err := os.CreateTemp("", "stalegauge-capture-*")
	if err != nil {
		return err
	}
	f.spooled = t.Name()
	n, err := io.Copy(t, io.LimitReader(in, f.o.SpoolLimit+1))
	if err == nil && n > f.o.SpoolLimit {
		err = fmt.Errorf("more than the %d bytes that are kept of it; give the capture as a file or raise the limit", f.o.SpoolLimit)
	}
	if err2 := t.Close(); err == nil {
		err = err2
	}
	return err
}

// Open begins to read the capture; each reader is independent.
func (f *File) Open() (*Reader, error) { return openAll(f.files, f.o) }

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
	if f.spooled == "" {
		return nil
	}
	path := f.spooled
	f.spooled = ""
	return os.Remove(path)
}
