# Decodes payloads, one "identifier hex" a line of standard input, by an
# independent implementation. Prints for each one line: for every signal its start
# bit, its width, the raw number, the physical value and whether it is present.
import contextlib
import io
import sys

import canmatrix.formats

said = io.StringIO()
with contextlib.redirect_stdout(said):
    matrix = canmatrix.formats.loadp_flat(sys.argv[1], dbcImportEncoding="cp1252")
if "error with line" in said.getvalue():
    sys.exit("not understood: " + said.getvalue())
frames = {f.arbitration_id.to_compound_integer(): f for f in matrix.frames}
for line in sys.stdin:
    number, text = line.split()
    frame, data = frames[int(number)], bytes.fromhex(text)
    little, big = frame.bytes_to_bitstrings(data)
    raws = frame.bitstring_to_signal_list(frame.signals, big, little, 8 * frame.size)
    decoded = frame.decode(data)
    words = []
    for signal, raw in zip(frame.signals, raws):
        at = decoded.get(signal.name)
        present = int(at is not None and at.signal is signal)
        value = float(signal.raw2phys(raw))
        words.append("%d %d %r %r %d" % (signal.get_startbit(bit_numbering=1), signal.size, raw, value, present))
    print(" ".join(words))
