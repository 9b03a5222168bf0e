package signal

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func ferry(t *testing.T) *Database {
	t.Helper()
	db, mistakes, err := ReadDatabase("testdata/ferry.dbc")
	require.NoError(t, err)
	require.Empty(t, mistakes)
	return db
}

func TestSignalsAreFoundByName(t *testing.T) {
	db := ferry(t)
	for name, want := range map[string]string{
		"Latitude":          "Position.Latitude",
		"Position.Latitude": "Position.Latitude",
		"18EEFFFE.Kind":     "", // no such message
		"0CF004FE.Speed":    "EngineSpeed.Speed",
		"0cf004fe.Speed":    "EngineSpeed.Speed",
		"Tanks.Level@3":     "Tanks.Level@3",
		"Level@2":           "Tanks.Level@2",
		"FreshWater@1":      "Tanks.FreshWater",
		"FreshWater@2":      "",
	} {
		m, at, err := db.Signal(name)
		if want == "" {
			require.Error(t, err, name)
			continue
		}
		require.NoError(t, err, name)
		require.Equal(t, want, db.FullName(m, at), name)
	}
}

func TestUnknownAndAmbiguousNames(t *testing.T) {
	db := ferry(t)
	for name, want := range map[string]string{
		"Latitud":            `signal "Latitud" is not in the database testdata/ferry.dbc: did you mean Latitude?`,
		"Position.Langitude": `signal "Position.Langitude" is not in the database testdata/ferry.dbc: did you mean Position.Longitude?`,
		"Zxqwvk":             `signal "Zxqwvk" is not in the database testdata/ferry.dbc`,
		"":                   `signal "" is not in the database testdata/ferry.dbc`,
		"Tanks.Level":        `signal "Tanks.Level" stands for several: Tanks.Level@2, Tanks.Level@3`,
		"Level":              `signal "Level" stands for several: Tanks.Level@2, Tanks.Level@3`,
	} {
		_, _, err := db.Signal(name)
		require.EqualError(t, err, want)
	}
	twice, _ := ParseDatabase("f", []byte("BO_ 1 A: 8 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\nBO_ 2147483649 A: 8 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\n SG_ a : 8|8@1+ (1,0) [0|0] \"\" X\n"))
	_, _, err := twice.Signal("a")
	require.EqualError(t, err, `signal "a" stands for several: 001.a, A.a, A.a (line 5)`)
	m, _, err := twice.Signal("001.a")
	require.NoError(t, err)
	require.False(t, m.ID.IsExtended())
	_, _, err = (&Database{Name: "f"}).Signal("a")
	require.EqualError(t, err, `signal "a" is not in the database f: it has no signals`)
}

func TestPaged(t *testing.T) {
	db := ferry(t)
	m, _, err := db.Signal("Tanks.Fuel")
	require.NoError(t, err)
	sel, definitions, err := m.Paged()
	require.NoError(t, err)
	require.Equal(t, &Selector{Start: 0, Bits: 4}, sel)
	require.Len(t, definitions, len(m.Signals))
	for i, d := range definitions {
		for page := range 16 {
			data := []byte{byte(page), 0, 0, 0, 0, 0, 0, 0}
			require.Equal(t, m.Present(i, data), d.Present(sel, data), "%s on %d", d.Name, page)
			got, ok := m.PageOf(data)
			require.True(t, ok)
			require.Equal(t, page, got)
		}
	}

	m, _, err = db.Signal("Winches.DoorAngle")
	require.NoError(t, err)
	_, definitions, err = m.Paged()
	require.EqualError(t, err, `message Winches, signal DoorAngle: its selector Door is the message's second; only the first, Ramp, can be simulated
message Winches, signal DoorForce: its selector Door is the message's second; only the first, Ramp, can be simulated`)
	require.Len(t, definitions, len(m.Signals)-2)
	page, ok := m.PageOf([]byte{2, 3, 0, 0, 0, 0, 0, 0})
	require.True(t, ok)
	require.Equal(t, 2<<2|3, page, "both selectors in one number")
	_, ok = m.PageOf([]byte{2})
	require.False(t, ok, "the second is missing")

	tractor, _, err := ReadDatabase("testdata/tractor.dbc")
	require.NoError(t, err)
	m, _, err = tractor.Signal("Implement.Pressure")
	require.NoError(t, err)
	_, _, err = m.Paged()
	require.EqualError(t, err, `message Implement, signal Pressure: it lies on several values of the selector Mode; a signal on one value can be simulated
message Implement, signal Nozzle: it lies behind two selectors, Mode and Kind; only one can be simulated
message Implement, signal Level: it lies behind two selectors, Mode and Kind; only one can be simulated
message Implement, signal Beam: it lies on several values of the selector Mode; a signal on one value can be simulated`)
	page, _ = m.PageOf([]byte{0x92, 0, 0, 0, 0, 0, 0, 0})
	require.Equal(t, 0x29, page)
	page, _ = m.PageOf([]byte{0x91, 0, 0, 0, 0, 0, 0, 0})
	require.Equal(t, 0x10, page, "the inner selector is not present")
}

func TestReadDatabaseErrors(t *testing.T) {
	_, _, err := ReadDatabase(t.TempDir())
	require.ErrorContains(t, err, "is a directory, expected a file")
	_, _, err = ReadDatabase("testdata/none.dbc")
	require.ErrorContains(t, err, "none.dbc")
	_, mistakes, err := ReadDatabase("testdata/oracle.py")
	require.EqualError(t, err, "signal database: testdata/oracle.py has no message")
	require.NotEmpty(t, mistakes)
}
