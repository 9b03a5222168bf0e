package scenarios

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Copy writes the text of a built-in scenario to a file: first under a temporary
// name beside it, then by renaming, so that nobody ever reads half of it. An
// existing file is kept unless overwrite is true.
func Copy(name, path string, overwrite bool) error {
	text, err := Text(name)
	if err != nil {
		return err
	}
	return install(text, path, overwrite)
}

// Create writes the text of a scenario to a file that does not exist yet, as a
// whole or not at all.
func Create(text []byte, path string) error { return install(text, path, false) }

func install(text []byte, path string, overwrite bool) error {
	taken := fmt.Errorf("%s: exists already and is kept", path)
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		return fmt.Errorf("%s: a directory, expected the name of a file", path)
	case err == nil && !overwrite:
		return taken
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: %w", path, reason(err))
	}
	file, err := os.CreateTemp(filepath.Dir(path), ".scenario-*")
	if err != nil {
		return fmt.Errorf("%s: %w", path, reason(err))
	}
	defer os.Remove(file.Name()) // of no effect once it has been renamed
	_, err = file.Write(text)
	err = errors.Join(err, file.Chmod(0o644), file.Close())
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if !overwrite {
		// A link, unlike a rename, fails when the name has been taken meanwhile.
		// File systems without links get the rename.
		if err := os.Link(file.Name(), path); err == nil {
			return nil
		} else if errors.Is(err, fs.ErrExist) {
			return taken
		}
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
