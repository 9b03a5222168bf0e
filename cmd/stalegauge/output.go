package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// output is where a result goes: standard output, or a file that appears whole
// or not at all.
type output struct {
	stdout io.Writer
	flag   string   // that names it
	name   string   // as the user gave it
	target string   // what is replaced in the end
	file   *os.File // under a temporary name, nil for standard output
	direct bool     // the target is no plain file: it is written to, not replaced
}

// openOutput prepares to write to the file called name, or to stdout when the
// name is empty. It fails early, before a result is worked out, where it could
// not be written later. The caller must call discard in the end.
func openOutput(stdout io.Writer, name string) (*output, error) {
	return openFlagged(stdout, "--out", name)
}

// openFlagged is openOutput for a flag of another name.
func openFlagged(stdout io.Writer, flag, name string) (*output, error) {
	o := &output{stdout: stdout, flag: flag, name: name, target: name}
	switch name {
	case "":
		return o, nil
	case "-": // would be a file that few programs can name again
		return nil, fmt.Errorf("%s: found -, expected the name of a file", flag)
	}
	if real, err := filepath.EvalSymlinks(name); err == nil {
		o.target = real // the file behind the link is replaced, not the link
	}
	mode := fs.FileMode(0o666)
	switch info, err := os.Stat(o.target); {
	case err == nil && info.IsDir():
		return nil, o.fail(errors.New("it is a folder"))
	case err == nil && !info.Mode().IsRegular():
		o.direct = true
		o.file, err = os.OpenFile(o.target, os.O_WRONLY, 0)
		return o, o.fail(err)
	case err == nil:
		mode = info.Mode().Perm()
	}
	return o, o.fail(o.openTemporary(mode))
}

// openTemporary creates the file that will become the target. The mode of a new
// file is cut by the user's mask, that of an old one is kept.
func (o *output) openTemporary(mode fs.FileMode) error {
	for i := 0; ; i++ {
		name := filepath.Join(filepath.Dir(o.target), fmt.Sprintf(".%s.%d-%d", filepath.Base(o.target), os.Getpid(), i))
		file, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
		if errors.Is(err, fs.ErrExist) && i < 1000 {
			continue
		}
		o.file = file
		return err
	}
}

// write puts the whole result in place.
func (o *output) write(result []byte) error {
	return o.stream(func(w io.Writer) error {
		_, err := w.Write(result)
		return err
	})
}

// stream puts what produce writes in place, when it has written all of it.
func (o *output) stream(produce func(io.Writer) error) error {
	if o.file == nil {
		return produce(o.stdout)
	}
	if err := produce(o.file); err != nil {
		return o.fail(err)
	}
	return o.finish()
}

// finish puts in place what was written to the file.
func (o *output) finish() error {
	if o.direct {
		return nil
	}
	if err := o.file.Sync(); err != nil {
		return o.fail(err)
	}
	if err := o.file.Close(); err != nil {
		return o.fail(err)
	}
	return o.fail(os.Rename(o.file.Name(), o.target))
}

// discard removes what is left of an unfinished file. After write it does
// nothing.
func (o *output) discard() {
	if o.file == nil {
		return
	}
	_ = o.file.Close()
	if !o.direct {
		_ = os.Remove(o.file.Name())
	}
}

// fail says what went wrong with the file, without the temporary name.
func (o *output) fail(err error) error {
	if err == nil {
		return nil
	}
	var path *fs.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		err = path.Err
	case errors.As(err, &link):
		err = link.Err
	}
	return fmt.Errorf("%s: cannot write %s: %w", o.flag, o.name, err)
}
