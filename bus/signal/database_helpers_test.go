package signal

import "strings"

// linesOf counts the lines of a file by cutting it at its ends of lines.
func linesOf(file string) int {
	text := databaseText([]byte(file))
	if text == "" {
		return 0
	}
	return len(strings.Split(strings.TrimSuffix(text, "\n"), "\n"))
}
