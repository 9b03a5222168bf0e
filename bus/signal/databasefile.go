package signal

import (
	"fmt"
	"os"
)

// ReadDatabase reads a signal database from a file, see [ParseDatabase]. The error
// is for a file that cannot be read or has no message; the mistakes then say why,
// and db is nil.
func ReadDatabase(path string) (db *Database, mistakes []Mistake, err error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, nil, fmt.Errorf("signal database: %w", err)
	case info.IsDir():
		return nil, nil, fmt.Errorf("signal database: %s is a directory, expected a file", path)
	case info.Size() > maxDatabase:
		return nil, nil, fmt.Errorf("signal database: %s has %d bytes, expected at most %d", path, info.Size(), maxDatabase)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, fmt.Errorf("signal database: %w", err)
	}
	db, mistakes = ParseDatabase(path, text)
	if len(db.Messages) == 0 {
		return nil, mistakes, fmt.Errorf("signal database: %s has no message", path)
	}
	return db, mistakes, nil
}
