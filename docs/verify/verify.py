#!/usr/bin/env python3
"""Verifies an evidence bundle: python3 verify.py BUNDLE [--checkpoint KEPT]. Exit 0: all is as the log says; 1: it is not.
Written from BUNDLE.md alone with Python's standard library (3.8 or newer), apart from the program that makes bundles."""
import base64, hashlib, heapq, itertools, json, math, re, struct, sys, time, zlib
from collections import namedtuple
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal, getcontext
getcontext().prec = 400  # exact
WRONG = (ArithmeticError, LookupError, ValueError, TypeError, RecursionError, MemoryError, OSError, struct.error, zlib.error)
def need(ok, text):
    if not ok: raise ValueError(text)
# --- Ed25519 (RFC 8032, section 5.1) ---
P, L = 2**255 - 19, 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
def add(a, b):
    m, n, c, d = (a[1]-a[0])*(b[1]-b[0]), (a[1]+a[0])*(b[1]+b[0]), 2*a[3]*b[3]*D, 2*a[2]*b[2]
    e, f, g, h = n-m, d-c, d+c, n+m
    return e*f % P, g*h % P, f*g % P, e*h % P
def times(s, a):
    return add(times(s >> 1, add(a, a)), a if s & 1 else (0, 1, 1, 0)) if s else (0, 1, 1, 0)
def point(b):
    y, sign = int.from_bytes(b, "little") & 2**255 - 1, b[31] >> 7
    x2 = (y*y - 1) * pow(D*y*y + 1, P - 2, P) % P
    x = pow(x2, (P + 3) // 8, P)
    x = x if (x*x - x2) % P == 0 else x * pow(2, (P - 1) // 4, P) % P
    need(y < P and (x*x - x2) % P == 0 and (x or not sign), "the key is no point of the curve")
    return (lambda x: (x, y, 1, x*y % P))(P - x if x & 1 != sign else x)
def signed(key, message, sig):
    s, h = int.from_bytes(sig[32:], "little"), int.from_bytes(hashlib.sha512(sig[:32] + key + message).digest(), "little") % L
    x, y, z, _ = add(times(s, point((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))), times(L - h, point(key)))
    return s < L and (lambda z: y*z % P | (x*z % P & 1) << 255)(pow(z, P - 2, P)).to_bytes(32, "little") == sig[:32]
# --- records ---
Group, Channel = namedtuple("Group", "id version device period channels"), namedtuple("Channel", "name kind scale offset unit")
Seal = namedtuple("Seal", "wall first last scans first_event last_event blocks events dropped state")
Block, Part = namedtuple("Block", "device number hour segment first last low high groups"), namedtuple("Part", "id rows good channels hashes")
Scan = namedtuple("Scan", "seq mono wall reason group segment columns at")
class Reader:
    def __init__(self, b): self.b, self.at = b, 0
    def take(self, n):
        need(self.at + n <= len(self.b), "a record is cut off")
        self.at += n
        return bytes(self.b[self.at-n:self.at])
    def one(self, code):  # u: uvarint, i: varint, s: string, h: hash, x: 16 bytes, others as in struct
        if code in "BdQI": return struct.unpack("<" + code, self.take(struct.calcsize("<" + code)))[0]
        if code in "hx": return self.take(32 if code == "h" else 16)
        b = [self.one("B")]
        while b[-1] > 127 and len(b) < 10: b.append(self.one("B"))
        v = sum((c & 127) << 7*i for i, c in enumerate(b))
        need(b[-1] < 128 and v < 2**64, "a number is too long")
        return v if code == "u" else v >> 1 ^ -(v & 1) if code == "i" else self.take(v).decode()
    def get(self, codes): return [self.one(c) for c in codes]
    def end(self, out): return need(self.at == len(self.b), "a record is not used up") or out
def records(r):
    while r.at < len(r.b): yield Reader(r.take(r.one("u")))
def group(r):
    id, version, _, _, device, _, period, n = r.get("uuuissiu")
    channels = [r.get("ssBBdds") for _ in range(n)]
    return r.end(Group(id, version, device, period, [Channel(c[0], c[2], *c[4:]) for c in channels]))
def segment(r):
    number, why = r.get("uiiuss")[::5]
    flags, shift = r.get("Bi") if r.at < len(r.b) else (0, 0)
    need(flags in (0, 1, 3) and (flags < 3 or r.get("i")), "a segment's flags")
    return r.end((number, (shift, why)))
def leaf(data):
    r = Reader(data)
    kind = r.one("B")
    need(1 <= kind <= 6, "a leaf of a kind that is not known")
    f = r.get(["xuiuus", "h", "iuuuuuuuuh", "suiuuuiiu", "uiiusssu", "iu"][kind - 1])
    if kind == 3: f = Seal(*f)
    if kind == 4: f = Block(*f[:8], [Part(*p, r.get("h" * min(p[3] + 1, len(data)))) for p in (r.get("uuuu") for _ in range(f[8]))])
    if kind == 5: f = (f[4], dict(r.get("ss") for _ in range(f[7])))
    if kind == 6: f = set(itertools.accumulate(r.one("u") for _ in range(f[1])))
    return r.end((kind, f))
# --- container ---
class Bundle:
    def __init__(self, b):
        n, self.b, self.parts, at, lines = len(b) - 86, memoryview(b), {}, 0, b""
        need(n >= 0 and b[n+22:] == hashlib.sha256(self.b[:n]).hexdigest().encode(), "the comment is not the file's hash: damaged, altered, or packed again by another program")
        while b[at:at+4] == b"PK\3\4":
            crc, packed, size, length = struct.unpack_from("<IIIH", b, at + 14)
            start, name, more, shown = at, b[at+30:at+30+length], b"", (packed, size)
            if name == b"readings.csv":
                size, packed = struct.unpack_from("<QQ", b, at + 34 + length)
                more, shown = struct.pack("<HHQQ", 1, 16, size, packed), (2**32 - 1,) * 2
            fixed = struct.pack("<HHHHHIIIHH", 45 if more else 20, 0, 8, 0, 0x21, crc, *shown, length, len(more))
            head = b"PK\3\4" + fixed + name + more
            need(b[at:at+len(head)] == head and length <= 128 and name.decode("ascii") not in self.parts, "a header")
            at += len(head) + packed
            self.parts[name.decode()] = (at - packed, at, size, crc)
            lines += b"PK\1\2\x2d\3" + fixed + struct.pack("<HHHII", 0, 0, 0, 0x81a40000, start) + name + more
        need(b[at:n+22] == lines + struct.pack("<IHHHHIIH", 0x06054b50, 0, 0, *[len(self.parts)] * 2, len(lines), at, 64), "the directory")
    def stream(self, name):
        start, end, size, crc = self.parts[name]
        un, rest, got, crc_got = zlib.decompressobj(-15), self.b[start:end], 0, 0
        while not un.eof:
            out, before, rest = un.decompress(rest, 1 << 20), len(rest), un.unconsumed_tail
            got, crc_got = got + len(out), zlib.crc32(out, crc_got)
            need(got <= size and (un.eof or out or len(rest) < before), name + " is not as long as it says")
            yield out
        need((got, crc_got) == (size, crc) and not un.unused_data and not rest, name + " is not as it was packed")
    def read(self, name): return b"".join(self.stream(name))
# --- tree (RFC 6962, section 2) and checkpoints ---
def sha(*b): return hashlib.sha256(b"".join(b)).digest()
def node(a, b): return sha(b"\1", a, b)
def left(n): return 1 << (n - 1).bit_length() - 1
def roots(size, older, leaves, proof):
    numbers = sorted(leaves)  # of the whole tree, and of its first `older` leaves: None where the proof does not reach
    def walk(lo, hi, a, b):
        if a == b: return (lambda h: (h, h if hi <= older else None))(proof.pop(0))
        if hi - lo == 1: return leaves[lo], leaves[lo]
        mid, m = lo + left(hi - lo), a
        while m < b and numbers[m] < mid: m += 1
        (l, lold), (r, rold) = walk(lo, mid, a, m), walk(mid, hi, m, b)
        return node(l, r), lold if older <= mid else rold and lold and node(lold, rold)
    out = walk(0, size, 0, len(numbers))
    need(not proof, "proof.bin is too long")
    return out
def consistent(m, old, n, new, proof):  # section 2.1.2
    def walk(m, n, whole):
        if m == n: return (old if whole else proof.pop(),) * 2
        k, side = left(n), proof.pop()
        o, w = walk(m, k, whole) if m <= k else walk(m - k, n - k, False)
        return (o, node(w, side)) if m <= k else (node(side, o), node(side, w))
    return m == 0 and not proof or m > 0 and walk(m, n, True) == (old, new) and not proof
Checkpoint = namedtuple("Checkpoint", "log size root key readings")
def checkpoint(text):
    m = re.fullmatch("(loadscribe/[0-9a-f]{32})\n(0|[1-9][0-9]*)\n(\\S+)\nmade \\S+\nreadings (none|\\S+ \\S+)\n"
                     "key (\\S+)\\+([0-9a-f]{8})\\+(\\S+)\n\n\u2014 (\\S+) (\\S+)\n", text)
    need(m and m[1] == m[5] == m[8], "a checkpoint's form")
    root, key, sig = (base64.b64decode(m[i], validate=True) for i in (3, 7, 9))
    need([base64.b64encode(b).decode() for b in (root, key, sig)] == [m[3], m[7], m[9]] and (len(root), len(key), key[0], len(sig)) == (32, 33, 1, 68), "a checkpoint's form")
    need(sha(m[1].encode(), b"\n", key)[:4] == bytes.fromhex(m[6]) == sig[:4], "a checkpoint's key is not the one it names")
    need(signed(key[1:], text[:text.index("\n\n") + 1].encode(), sig[4:]), "a checkpoint's signature is not valid")
    return Checkpoint(m[1], int(m[2]), root, key[1:], m[4])
# --- the CSV ---
def shortest(v, single=False):
    if not math.isfinite(v) or abs(v) >= 1e30: return None
    d = Decimal(repr(v))
    if single and v:  # the fewest digits that read back as the same binary32
        for digits in range(1, 12):
            unit = Decimal(10) ** (Decimal(v).adjusted() + 1 - digits)
            near = sorted((Decimal(v).quantize(unit, r) for r in (ROUND_FLOOR, ROUND_CEILING)), key=lambda k: abs(k - Decimal(v)))
            fits = [k for k in near if struct.pack("<f", float(k)) == struct.pack("<f", v)]
            if fits: break
        d = fits[0]
    d = d.normalize() if v else Decimal(0)
    if d.as_tuple().exponent > 0: d = d.quantize(Decimal(1))
    return d if d.as_tuple().exponent >= -30 else None
def value(c, raw):
    whole = raw - 2**64 if raw >> 63 and c.kind != 2 else raw
    n, v = Decimal(whole), float(whole)
    if c.kind in (3, 4):
        v = struct.unpack(*(("<f", struct.pack("<I", raw & 2**32 - 1)) if c.kind == 3 else ("<d", struct.pack("<Q", raw))))[0]
        n = shortest(v, c.kind == 3)
    if c.kind == 5: n, v = Decimal(whole >> 8).scaleb(-(raw & 255)) if raw & 255 <= 30 else None, (whole >> 8) / 10.0**(raw & 255)
    s, o = shortest(c.scale), shortest(c.offset)
    if None not in (n, s, o): return format(n * s + o, "f")
    v = v * c.scale + c.offset
    d = Decimal(repr(v)).normalize()  # NaN and infinities have no number
    return "" if not d.is_finite() else format(d, "f") if -4 <= d.adjusted() < 6 else "%se%+03d" % (d.scaleb(-d.adjusted()), d.adjusted())
def field(s):
    s = "'" + s if s and s[0] in "=+-@\t\r\n" else s
    return '"' + s.replace('"', '""') + '"' if re.search('[",\r\n]', s) else s
def stamp(ms): return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(ms // 1000)) + ".%03dZ" % (ms % 1000)
REASONS = ("good,timeout,bad checksum,device exception,implausible,no value,port gone,agent stopped,wrong answer,dropped,"
           "clock step,sensor fault,line busy,wrong map").split(",") + ["unknown reason"] * 242
def block(b, data, groups, shift):
    scans, at = [], 0
    for p in b.groups:
        g, size, columns, good = groups.get(p.id), p.rows * 29, [], 0
        need(g and (len(g.channels), g.device) == (p.channels, b.device) and sha(data[at:at+size]) == p.hashes[0], "a block's times")
        rows, at = list(struct.iter_unpack("<QqqIB", data[at:at+size])), at + size
        for h in p.hashes[1:]:
            column, at = data[at:at+9*p.good], at + 9*p.good
            need(len(column) == 9*p.good and sha(column) == h, "a block's readings")
            columns.append((struct.unpack("<%dQ" % p.good, column[:8*p.good]), column[8*p.good:]))
        need(all(x[0] < y[0] for x, y in zip(rows, rows[1:])) and sum(r[4] == 0 for r in rows) == p.good, "a block's rows")
        for seq, mono, wall, _, reason in rows:
            scans.append(Scan(seq, mono, wall + shift, reason, g, b.segment, columns, good))
            good += reason == 0
    seqs, walls = [s.seq for s in scans], [s.wall - shift for s in scans]
    need(at == len(data) and scans and (min(seqs), max(seqs), min(walls), max(walls)) == (b.first, b.last, b.low, b.high), "a block's bounds")
    return scans
def reorder(scans):
    held, segment, newest = [], None, 0
    for s in scans:
        while held and s.segment != segment: yield heapq.heappop(held)[2]
        newest, segment = s.wall if s.segment != segment else max(newest, s.wall), s.segment
        heapq.heappush(held, (s.wall, s.seq, s))
        while held[0][0] < newest - 30000 or len(held) > 8192: yield heapq.heappop(held)[2]
    while held: yield heapq.heappop(held)[2]
def pauses(scans):
    p, seen = None, {}
    for s in scans:
        if p and s.segment != p.segment:
            reason = 10 if 0 <= s.mono - p.mono <= 3 * s.group.period else 7
            yield from (p._replace(wall=p.wall + 1, reason=reason, group=g) for g in seen.values() if s.wall - p.wall > 3 * g.period)
            p, seen = None, {}
        p = s if p is None or s.wall >= p.wall else p
        seen.setdefault(s.group.id, s.group)
        yield s
def table(m, groups, scans):
    wanted = {g.id: [(i, id, c) for i, c in enumerate(g.channels) for id in [g.device + "." + c.name] if not m["channels"] or id in m["channels"]]
              for g in sorted(groups.values())}
    texts, places, row, key = {}, {}, {}, None
    def cell(s, i, c):
        q, raw = (s.reason, 0) if s.reason else (s.columns[i][1][s.at], s.columns[i][0][s.at])
        if q: return "", q
        if (c, raw) not in texts: texts[c, raw] = value(c, raw)
        return texts[c, raw], 0 if texts[c, raw] else 4
    if m["layout"] == "long":
        yield "time,device,channel,value,unit,quality\r\n"
        for s, (i, _, c) in ((s, x) for s in scans for x in wanted[s.group.id]):
            text, q = cell(s, i, c)
            yield "%s,%s,%s,%s,%s,%s\r\n" % (stamp(s.wall), field(s.group.device), field(c.name), text, field(c.unit), REASONS[q])
        return
    for id, c in ((x[1], x[2]) for columns in wanted.values() for x in columns): places.setdefault((id, c.unit), len(places))
    yield ",".join(["time"] + [field("%s [%s]" % k) for k in places]) + "\r\n"
    line = lambda: ",".join([stamp(key[0])] + [row.get(k, "") for k in range(len(places))]) + "\r\n"
    for s in scans:
        new = {places[id, c.unit]: cell(s, i, c)[0] for i, id, c in wanted[s.group.id]}
        if row and new and ((s.wall, s.segment) != key or new.keys() & row.keys()): yield line(); row = {}
        if new: row.update(new); key = (s.wall, s.segment)
    if row: yield line()
FORM = dict(format=str, version=int, from_ms=int, to_ms=int, layout=str, channels=list, first_leaf=int, end_leaf=int, lost_texts=list)
def verify(path, kept):
    z = Bundle(open(path, "rb").read())
    m = json.loads(z.read("manifest.json"))
    need({k: type(v) for k, v in m.items()} == FORM and list(m) == list(FORM) and json.dumps(m, indent=1, ensure_ascii=False) + "\n" == z.read("manifest.json").decode()
         and m["format"] == "loadscribe evidence bundle" and m["version"] == 1 and m["from_ms"] < m["to_ms"] and m["layout"] in ("long", "wide"), "manifest.json")
    r, leaves, hashes, number = Reader(z.read("leaves.bin")), {}, {}, -1
    cp, *held = [checkpoint(z.read(x).decode()) for x in ("checkpoint.txt", "kept.txt") if x in z.parts or x[0] == "c"]
    mailed = kept and re.search("^loadscribe/(.*\n){7}.*", re.sub("[ \t\r]+$", "", kept.lstrip("\ufeff"), flags=re.M), re.M)
    k = checkpoint(mailed[0] + "\n" if mailed else kept) if kept else cp
    while r.at < len(r.b):
        before, (number, size) = number, r.get("QI")
        need(before < number < cp.size, "the leaves' order")
        data = r.take(size)
        leaves[number], hashes[number] = leaf(data), sha(b"\0", data)
    split = lambda b: [b[i:i+32] for i in range(0, len(b), 32)]  # of hashes
    root, old = roots(cp.size, k.size, hashes, split(z.read("proof.bin")))
    need(root == cp.root, "the leaves do not have the root of checkpoint.txt")
    for h in held: need(h.log == cp.log and h.size <= cp.size and consistent(h.size, h.root, cp.size, cp.root, split(z.read("consistency.bin"))), "the log does not continue kept.txt")
    old = next((h.root for h in [cp] + held if h.size == k.size), old)
    need(k.log == cp.log and k.size <= cp.size, "the kept checkpoint is of another log, or the bundle is older than it, or the log was cut off")
    need(old == k.root, "the log is not the one of the kept checkpoint" if old else "the bundle proves nothing of the kept checkpoint: export again with --checkpoint")
    kind, first, end, last = lambda n: leaves.get(n, (0, 0))[0], m["first_leaf"], m["end_leaf"], max(n for n in leaves if leaves[n][0] == 3)
    def transaction(n):
        need(kind(n) == 3 and sum(leaves[n][1][6:9]) < len(leaves), "a seal is missing")
        kinds = [k for k, many in zip((4, 5, 6), leaves[n][1][6:9]) for _ in range(many)]
        return need([kind(n + 1 + i) for i in range(len(kinds))] == kinds, "a seal's leaves") or n + 1 + len(kinds)
    need(0 <= first < end <= cp.size and kind(first) == 3 and kind(0) == 1 and transaction(last) == cp.size, "the stretch or the log's end")
    seals, n, files, named, dropped = [], first, set(), {}, set().union(*(f for t, f in leaves.values() if t == 6))
    while n < end:
        seals, n = seals + [n] * (kind(n) == 3), n + 1 if kind(n) == 2 else transaction(n)
    parts = {str(f.segment) for b, (t, f) in leaves.items() if t == 4 and first <= b < end}
    need(n == end and [f for t, f in leaves.values() if t == 2][-1:] == [[cp.key]], "the stretch, or the key is not the log's")
    for n, (t, f) in leaves.items():
        config = t == 5 and f[0] == "config_changed" and f[1].get("file")
        if config and f[1].get("after"): named[f[1]["after"]] = 1
        need((n == 0) == (t == 1) and (t < 3 or first <= n < end or n >= last or config and n < first and f[1]["file"] not in files
             or t == 6 and any(first <= b < end for b in f) or t == 5 and f[0] == "import" and set(f[1].get("segments", "").split(",")) & parts), "a leaf too many")
        if config and n < first: files.add(f[1]["file"])
    groups = {g.id: g for g in sorted(map(group, records(Reader(z.read("groups.bin")))), key=lambda g: g[:2])}
    segments, inside, before = dict(map(segment, records(Reader(z.read("segments.bin"))))), {}, 0
    need(sha(z.read("groups.bin"), z.read("segments.bin")) == leaves[last][1].state, "the state")
    need(set(m["channels"]) <= {g.device + "." + c.name for g in groups.values() for c in g.channels}, "a channel that is not there")
    for n in seals:
        s, blocks = leaves[n][1], [leaves[n + 1 + i][1] for i in range(leaves[n][1].blocks)]
        need(all(s.first <= b.first <= b.last <= s.last and b.segment in segments for b in blocks)
             and sum(p.rows for b in blocks for p in b.groups) == s.scans <= max(0, s.last - s.first + 1) and (s.last < s.first or s.first > before), "a seal's scans")
        before = max(before, s.last) if s.first <= s.last else before
        times = [(b.low + segments[b.segment][0], b.high + segments[b.segment][0]) for b in blocks]
        inside[n] = [n + 1 + i for i, (low, high) in enumerate(times) if low < m["to_ms"] and high >= m["from_ms"]]
    edge = lambda n: leaves[n][1].blocks and not inside[n]
    need((edge(seals[0]) or all(kind(i) in (1, 2) for i in range(first))) and (edge(seals[-1]) or end == cp.size), "what lies around the window is not shown")
    texts, shown = sorted(h for h in named if h not in m["lost_texts"]), sorted(b for n in seals for b in inside[n] if b not in dropped)
    need(m["lost_texts"] == [h for h in named if h in m["lost_texts"]] and list(z.parts) == ["manifest.json", "checkpoint.txt"] + ["kept.txt", "consistency.bin"] * len(held)
         + ["leaves.bin", "proof.bin", "groups.bin", "segments.bin"] + ["texts/" + h for h in texts] + ["blocks/%d.bin" % b for b in shown] + ["readings.csv"], "the parts")
    for h in texts: need(sha(z.read("texts/" + h)).hex() == h, "texts/" + h)
    def scans(number=0):
        for n in seals:
            for s in sorted(s for b in inside[n] if b in set(shown) for s in block(leaves[b][1], z.read("blocks/%d.bin" % b), groups, segments[leaves[b][1].segment][0])):
                need(s.seq > number, "a reading is there twice")
                number = s.seq
                if m["from_ms"] <= s.wall < m["to_ms"]: yield s
    lines, rest = table(m, groups, pauses(reorder(scans()))), b""
    for piece in z.stream("readings.csv"):
        while len(rest) < len(piece): rest += "".join(x for _, x in zip(range(10000), lines)).encode() or b"!" * len(piece)
        need(rest[:len(piece)] == piece, "readings.csv is not what follows from the blocks")
        rest = rest[len(piece):]
    need(not rest and next(lines, None) is None, "readings.csv is not all that follows from the blocks")
    print("log %s, %d leaves, readings %s, key %s\nwindow %s to %s, leaves %d to %d, %d blocks" % (
        *cp[:2], cp.readings, re.sub("(....)(?=.)", "\\1 ", sha(cp.key).hex()[:32]), stamp(m["from_ms"]), stamp(m["to_ms"]), first, end, len(shown)))
    print("devices: " + ", ".join(sorted({leaves[b][1].device + (" (imported)" if segments[leaves[b][1].segment][1] == "import" else "") for b in shown})))
if __name__ == "__main__":
    if len(sys.argv) not in (2, 4) or sys.argv[2:3] not in ([], ["--checkpoint"]) or sys.argv[1][:1] == "-": print(__doc__) or sys.exit(2)
    try:
        verify(sys.argv[1], open(sys.argv[3], encoding="utf-8", newline="").read() if len(sys.argv) == 4 else None)
    except WRONG as e: sys.exit("NOT VERIFIED: %s" % e)
    print("VERIFIED" + ("" if len(sys.argv) == 4 else " in itself; whether the log was written anew, only a checkpoint kept elsewhere tells (--checkpoint)"))
