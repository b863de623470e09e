"""Star services on the loopback: TAP, synchronous and by jobs, with a sky of their own and every
fault.

What they speak, and no more: IVOA TAP 1.1 and UWS 1.1 (a job is made by a POST answered with 303,
waits in PENDING until PHASE=RUN is posted, says its phase in an XML document, is gone after a
DELETE), the formats that TAP 1.1 names, MAXREC and DALI 1.1 section 4.4 (QUERY_STATUS), VOTable 1.4,
gzip only for who accepts it. An unknown table, column or format is an error, as a VOTable.
"""

import gzip
import html
import http.server
import io
import re
import socket
import struct
import threading
import time
from contextlib import contextmanager
from urllib.parse import parse_qs

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io.votable import from_table
from astropy.table import MaskedColumn, Table

# A1V to K9V of the mean dwarf colours of Pecaut & Mamajek 2013 (ApJS 208, 9), table 5, as extended:
# v2022.04.16
DWARF_BP_RP = (0.005, 0.166, 0.377, 0.518, 0.719, 0.803, 0.983, 1.21, 1.53, 1.79)
DWARF_G_V = (0.010, -0.010, -0.060, -0.090, -0.145, -0.158, -0.227, -0.32, -0.51, -0.66)
DWARF_B_V = (0.035, 0.140, 0.295, 0.390, 0.560, 0.622, 0.816, 0.99, 1.24, 1.40)
PLAIN = {"Content-Type": "application/x-votable+xml"}
PROBE_PLACE = SkyCoord(103.0, -0.33, unit="deg")


class Sky:
    """Stars round a place, and some where a probe looks; what each catalogue holds of them."""

    def __init__(self, ra_deg=83.6, dec_deg=22.0, n=400, radius_deg=0.6, seed=1):
        rng = np.random.default_rng(seed)
        turn, out = rng.uniform(0, 2 * np.pi, n), radius_deg * np.sqrt(rng.uniform(0, 1, n))
        centre = SkyCoord(ra_deg, dec_deg, unit="deg")
        places = centre.directional_offset_by(turn * u.rad, out * u.deg)
        probe = PROBE_PLACE.directional_offset_by(
            rng.uniform(0, 2 * np.pi, 20) * u.rad, 0.05 * u.deg
        )
        self.ra, self.dec = (
            np.concatenate([getattr(places, k).deg, getattr(probe, k).deg])
            for k in ("ra", "dec")
        )
        n = len(self.ra)
        self.v = rng.uniform(8, 16, n)
        self.v[-20:] = rng.uniform(9, 11, 20)
        self.bp_rp = rng.uniform(0.01, 1.78, n)
        # redder than dwarfs of that BP-RP, as no relation could know
        self.bv_true = np.interp(self.bp_rp, DWARF_BP_RP, DWARF_B_V) + 0.2
        self.pmra, self.pmdec = rng.normal(0, 30, n), rng.normal(0, 30, n)

    def gaia(self):
        g = self.v + np.interp(self.bp_rp, DWARF_BP_RP, DWARF_G_V)
        return Table(
            {
                "source_id": np.arange(len(self.ra)),
                "ra": self.ra,
                "dec": self.dec,
                "pmra": self.pmra,
                "pmdec": self.pmdec,
                "parallax": np.full(len(self.ra), 5.0),
                "parallax_over_error": np.full(len(self.ra), 50.0),
                "phot_g_mean_mag": g,
                "phot_bp_mean_mag": g + self.bp_rp / 2,
                "phot_rp_mean_mag": g - self.bp_rp / 2,
                "phot_bp_mean_flux_over_error": np.full(len(self.ra), 900.0),
                "phot_rp_mean_flux_over_error": np.full(len(self.ra), 900.0),
            }
        )

    def gspc(self):
        """Synthetic photometry of the stars between G 10 and 17.65; every fifth has a bad flag."""
        g, bv = self.gaia()["phot_g_mean_mag"], self.bv_true
        n = len(self.ra)
        flag = np.where(np.arange(n) % 5 == 0, 0, 1)
        rows = Table(
            {
                "source_id": np.arange(n),
                "c_star": np.zeros(n),
                "b_jkc_mag": self.v + bv,
                "b_jkc_flux": np.full(n, 100.0),
                "b_jkc_flux_error": np.full(n, 1.0),
                "b_jkc_flag": flag,
                "v_jkc_mag": self.v,
                "v_jkc_flux": np.full(n, 100.0),
                "v_jkc_flux_error": np.full(n, 1.0),
                "v_jkc_flag": np.ones(n, int),
            }
        )
        return rows[(g > 10) & (g < 17.65)]

    def apass(self):
        return Table(
            {
                "RAJ2000": self.ra,
                "DEJ2000": self.dec,
                "Vmag": self.v,
                "e_Vmag": np.full(len(self.ra), 0.02),
                "B-V": 0.8 * self.bp_rp,
                "e_B-V": np.full(len(self.ra), 0.03),
            }
        )

    def tycho2(self):
        blank = np.zeros(len(self.ra), bool)
        blank[::7] = True  # stars without a mean position and proper motion
        return Table(
            {
                "RAmdeg": MaskedColumn(self.ra, mask=blank),
                "DEmdeg": MaskedColumn(self.dec, mask=blank),
                "RA(ICRS)": self.ra,
                "DE(ICRS)": self.dec,
                "pmRA": MaskedColumn(self.pmra, mask=blank),
                "pmDE": MaskedColumn(self.pmdec, mask=blank),
                "BTmag": self.v + 0.1 + self.bp_rp,
                "e_BTmag": np.full(len(self.ra), 0.03),
                "VTmag": self.v + 0.1,
                "e_VTmag": np.full(len(self.ra), 0.02),
                "HIP": MaskedColumn(np.arange(len(self.ra)), mask=~blank),
            }
        )


def whole_sky(n, seed=1):
    """Gaia's two tables for stars all over the sky, a tenth of them within a degree of each pole and
    across RA 0, with source_id as Gaia counts them: by HEALPix pixel of level 12."""
    from astropy_healpix import HEALPix

    rng = np.random.default_rng(seed)
    ra, dec = rng.uniform(0, 360, n), np.degrees(np.arcsin(rng.uniform(-1, 1, n)))
    tenth = n // 10
    for i, pole in enumerate((90.0, -90.0)):
        of_pole = slice(i * tenth, (i + 1) * tenth)
        dec[of_pole] = pole - np.sign(pole) * np.sqrt(rng.uniform(0, 1, tenth))
    across = slice(2 * tenth, 3 * tenth)
    ra[across], dec[across] = rng.uniform(-1, 1, tenth) % 360, rng.uniform(-1, 1, tenth)
    pixel = HEALPix(nside=4096, order="nested").lonlat_to_healpix(ra * u.deg, dec * u.deg)
    sky = Sky(n=1)
    sky.ra, sky.dec, sky.v = ra, dec, rng.uniform(10.8, 13.4, n)
    sky.bp_rp = rng.uniform(0.01, 1.78, n)
    sky.bv_true = np.interp(sky.bp_rp, DWARF_BP_RP, DWARF_B_V)
    sky.pmra, sky.pmdec = rng.normal(0, 30, n), rng.normal(0, 30, n)
    gaia, gspc = sky.gaia(), sky.gspc()
    source_id = pixel.astype(np.int64) * 2**35 + np.arange(n)
    gspc["source_id"] = source_id[gspc["source_id"]]
    gaia["source_id"] = source_id
    return sky, gaia, gspc


class Refusal(Exception):
    """What the service says of a query that it cannot answer."""


FORMATS = (
    "votable",
    "application/x-votable+xml",
    "text/xml",
)  # of TAP 1.1, table 1, as VOTable
NAME = r'(?:"[^"]+"|[A-Za-z][\w.]*)'


class FakeServices:
    """What the server holds, which faults it has in store, and what it was asked.

    Attributes
    ----------
    tables : dict of str to Table
        By the names that queries use.
    faults : list of str
        The next ones, one a question; "" for none. The last one stays if `faulty_for_ever`.
    asked : list of (method, path, body)
    job_trouble : str
        "page at launch", "page for a phase", "job fails"; "result elsewhere" (a redirection, and no
        fault), "other host" (a redirection that is one).
    most_rows : int
        That it ever gives.
    """

    def __init__(self):
        sky = Sky()
        self.tables = {
            "gaiadr3.gaia_source": sky.gaia(),
            "gaiadr3.synthetic_photometry_gspc": sky.gspc()[:0],
            "II/336/apass9": sky.apass(),
            "I/259/tyc2": sky.tycho2(),
        }
        self.sky, self.faults, self.asked, self.jobs = sky, [], [], {}
        self.faulty_for_ever, self.job_trouble, self.most_rows = False, "", 10**6
        self.stop = threading.Event()
        self.polls_of_a_job = 0

    def next_fault(self):
        if not self.faults:
            return ""
        return self.faults[0] if self.faulty_for_ever else self.faults.pop(0)

    @property
    def questions(self):
        """Queries, without the traffic round them."""
        return [
            parse_qs(body)["QUERY"][0]
            for method, path, body in self.asked
            if method == "POST" and path.endswith(("/async", "/sync"))
        ]

    def answer(self, form):
        """Rows that answer a query, and whether there are more of them."""
        for name in ("LANG", "REQUEST", "QUERY"):
            if name not in form:
                raise Refusal(f"parameter {name} is missing")
        wanted = form.get("FORMAT", form.get("RESPONSEFORMAT", ["votable"]))[0]
        if wanted.split(";")[0] not in FORMATS:
            raise Refusal(f"unknown format {wanted}")
        rows = self.select(" ".join(form["QUERY"][0].split()))
        most = min(int(form.get("MAXREC", [10**9])[0]), self.most_rows)
        return rows[:most], len(rows) > most

    def select(self, query):
        """ADQL: columns of a table or of two, joined by source_id, and conditions with AND or OR."""
        parts = re.fullmatch(
            rf"SELECT (?:TOP (\d+) )?(.+?) FROM ({NAME})(?: AS (\w+))?"
            rf"(?: LEFT OUTER JOIN ({NAME}) AS (\w+) ON (\S+) = (\S+))? WHERE (.+)",
            query,
        )
        if parts is None:
            raise Refusal(f"syntax error near {query[:40]!r}")
        top, columns, first, letter, second, other, left, right, where = parts.groups()
        values = self.columns_of(first, letter or "")
        if second:
            values |= self.joined(self.column(left, values), second, other, bare(right))
        rows = np.flatnonzero(self.holds(where, values))[: int(top) if top else None]
        out = Table()
        for column in columns.split(", "):
            name, _, alias = column.partition(" AS ")
            out[alias or bare(name).rpartition(".")[2]] = self.column(name, values)[rows]
        return out

    def column(self, name, values):
        if bare(name) not in values:
            raise Refusal(f"unknown column {name}")
        return values[bare(name)]

    def columns_of(self, name, letter):
        prefix = f"{letter}." if letter else ""
        table = (
            self.schema() if bare(name) == "TAP_SCHEMA.columns" else self.tables.get(bare(name))
        )
        if table is None:
            raise Refusal(f"unknown table {name}")
        return {f"{prefix}{c}": table[c] for c in table.colnames}

    def schema(self):
        pairs = [(name, c) for name, table in self.tables.items() for c in table.colnames]
        return Table(rows=pairs, names=["table_name", "column_name"])

    def joined(self, source_id, name, letter, key):
        """The columns of a second table at the sources of the first, masked where it lacks them."""
        there = self.columns_of(name, letter)
        numbers = np.asarray(there[key])
        order = np.argsort(numbers)
        at = np.minimum(
            np.searchsorted(numbers, source_id, sorter=order), max(len(order) - 1, 0)
        )
        if not len(order):
            return {c: MaskedColumn(np.zeros(len(source_id)), mask=True) for c in there}
        known = numbers[order[at]] == source_id
        return {c: MaskedColumn(v[order[at]], mask=~known) for c, v in there.items()}

    def holds(self, where, values):
        if " OR " in where:
            return np.any([self.holds(part, values) for part in where.split(" OR ")], axis=0)
        circle = re.fullmatch(
            rf"1=CONTAINS\(POINT\('ICRS', ({DOTTED}), ({DOTTED})\), CIRCLE\('ICRS', "
            r"(\S+), (\S+), (\S+)\)\) AND (.+)",
            where,
        )
        if circle:
            ra, dec = (self.column(name, values) for name in circle.groups()[:2])
            centre = SkyCoord(float(circle[3]), float(circle[4]), unit="deg")
            apart = SkyCoord(ra, dec, unit="deg").separation(centre).deg
            return (apart <= float(circle[5])) & self.holds(circle[6], values)
        keep = True
        for condition in where.split(" AND "):
            name, relation, value = re.fullmatch(r"(\S+) (<|>=|LIKE) (\S+)", condition).groups()
            column = self.column(name, values)
            if relation == "LIKE":
                keep = keep & np.array([value.strip("'%") in str(v) for v in column], bool)
            elif relation == "<":
                keep = keep & np.ma.filled(column < number(value), False)
            else:
                keep = keep & np.ma.filled(column >= number(value), False)
        return keep


DOTTED = rf"(?:\w+\.)?{NAME}"


def number(text):
    return float(text) if "." in text else int(text)


def bare(name):
    """A name without its quotes."""
    return name.replace('"', "")


def votable(table, *, info="", name="t"):
    """A table as the services write it."""
    tree = from_table(table)
    tree.get_first_table().name = name
    page = io.BytesIO()
    tree.to_xml(page)
    return page.getvalue().replace(b"<RESOURCE type", info.encode() + b"<RESOURCE type", 1)


def error_votable(words):
    info = f'<INFO name="QUERY_STATUS" value="ERROR">{html.escape(words)}</INFO>'
    return (
        f'<VOTABLE version="1.4"><RESOURCE type="results">{info}</RESOURCE></VOTABLE>'.encode()
    )


class Job:
    """A job of the service, by UWS 1.1."""

    def __init__(self, form, polls):
        self.form, self.polls, self.phase, self.rows, self.error = (
            form,
            polls,
            "PENDING",
            None,
            "",
        )

    def run(self, fake):
        self.phase = "EXECUTING"
        if fake.job_trouble == "job fails":
            self.error = "out of memory"
        else:
            try:
                self.rows = fake.answer(self.form)
            except Refusal as refusal:
                self.error = str(refusal)

    def look(self):
        """One look at it, after which it may have come to its end."""
        if self.phase == "EXECUTING":
            self.polls -= 1
            if self.polls < 0:
                self.phase = "ERROR" if self.error else "COMPLETED"

    def document(self, url):
        result = f'<uws:result id="result" xlink:href="{url}/results/result"/>'
        error = (
            f'<uws:errorSummary type="fatal" hasDetail="true"><uws:message>'
            f"{html.escape(self.error[:12])}</uws:message></uws:errorSummary>"
        )
        return (
            '<?xml version="1.0"?><uws:job xmlns:uws="http://www.ivoa.net/xml/UWS/v1.0" '
            'xmlns:xlink="http://www.w3.org/1999/xlink" version="1.1">'
            f"<uws:jobId>{url.rpartition('/')[2]}</uws:jobId><uws:phase>{self.phase}</uws:phase>"
            f"<uws:results>{result if self.phase == 'COMPLETED' else ''}</uws:results>"
            f"{error if self.phase == 'ERROR' else ''}</uws:job>"
        ).encode()


class Handler(http.server.BaseHTTPRequestHandler):
    """Requests in, answers or faults out."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True  # else each answer waits 40 ms for its second packet

    def log_message(self, *_):
        pass

    @property
    def fake(self):
        return self.server.fake

    @property
    def here(self):
        return f"http://127.0.0.1:{self.server.server_port}{self.path.partition('?')[0]}"

    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        self.fake.asked.append(("POST", self.path, body))
        form = parse_qs(body)
        job = re.search(r"/async/(\d+)/phase$", self.path)
        if self.path.endswith("/sync"):
            self.result(lambda: self.fake.answer(form))
        elif self.path.endswith("/async"):
            if self.fake.job_trouble == "page at launch":
                return self.fault_page()
            number = str(len(self.fake.jobs) + 1)
            self.fake.jobs[number] = Job(form, self.fake.polls_of_a_job)
            self.reply(303, b"", {"Location": f"{self.here}/{number}"})
        elif job and form.get("PHASE") == ["RUN"] and job[1] in self.fake.jobs:
            self.fake.jobs[job[1]].run(self.fake)
            self.reply(303, b"", {"Location": self.here.removesuffix("/phase")})
        else:
            self.reply(404, b"no such resource")

    def do_GET(self):
        self.fake.asked.append(("GET", self.path, ""))
        if self.path.startswith("/sesame"):
            return self.sesame()
        parts = re.search(r"/async/(\d+)/?(.*)", self.path.partition("?")[0])
        job = parts and self.fake.jobs.get(parts[1])
        trouble = self.fake.job_trouble
        if not job:
            self.reply(404, b"no such job")
        elif parts[2] == "":
            if trouble == "page for a phase":
                return self.fault_page()
            job.look()
            self.reply(200, job.document(self.here), {"Content-Type": "text/xml"})
        elif parts[2] == "error" and job.phase == "ERROR":
            self.reply(200, error_votable(job.error), {"Content-Type": "text/xml"})
        elif parts[2].startswith("results/") and job.phase == "COMPLETED":
            if trouble == "result elsewhere" and not parts[2].endswith("elsewhere"):
                self.reply(303, b"", {"Location": f"{self.here}/elsewhere"})
            elif trouble == "other host":
                self.reply(303, b"", {"Location": "http://stars.invalid/secret"})
            else:
                self.result(lambda: job.rows)
        else:
            self.reply(404, b"no such resource")

    def do_DELETE(self):
        self.fake.asked.append(("DELETE", self.path, ""))
        number = self.path.rpartition("/")[2]
        if self.fake.jobs.pop(number, None) is None:
            return self.reply(404, b"no such job")
        self.reply(303, b"", {"Location": self.here.rpartition("/")[0]})

    def sesame(self):
        """The name resolver: one name is known."""
        known = "V1500%20Cyg" in self.path or "V1500+Cyg" in self.path
        text = (
            "%J 350.2012500 +61.2111111 = 23:20:48.3 +61:12:40\n"
            if known
            else "#! *** Nothing found\n"
        )
        self.reply(200, text.encode(), {"Content-Type": "text/plain"})

    def result(self, answer):
        try:
            rows, more = answer()
        except Refusal as refusal:
            return self.reply(400, error_votable(str(refusal)), {"Content-Type": "text/xml"})
        page = votable(rows, name="rows")
        if more:
            page = page.replace(
                b"</RESOURCE>", b'<INFO name="QUERY_STATUS" value="OVERFLOW"/></RESOURCE>'
            )
        kind = {"Content-Type": "application/x-votable+xml"}
        if "gzip" in self.headers.get("Accept-Encoding", ""):
            page, kind["Content-Encoding"] = gzip.compress(page, 1), "gzip"
        fault, _, detail = self.fake.next_fault().partition(" ")
        if fault:
            getattr(self, f"fault_{fault}")(detail, rows, page, kind)
        else:
            self.reply(200, page, kind)

    def reply(self, status, body, headers=None, length=None):
        self.send_response(status)
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body) if length is None else length))
        self.end_headers()
        self.wfile.write(body)

    # --- faults -------------------------------------------------------------------------

    def fault_status(self, detail, *_):
        self.reply(
            int(detail),
            b"<html><title>Trouble</title><body>The service has trouble.</body></html>",
            {"Content-Type": "text/html"},
        )

    def fault_busy(self, detail, *_):
        """429 with Retry-After, in seconds or as a date."""
        self.reply(429, b"too many questions", {"Retry-After": detail})

    def fault_page(self, *_):
        """An error page with the status of a success."""
        self.reply(
            200,
            b"<html><head><style>p {}</style></head><body>Down for maintenance</body></html>",
            {"Content-Type": "text/html"},
        )

    def fault_failed(self, *_):
        self.reply(200, error_votable("Cannot parse\x1b[31m query"))

    def fault_bomb(self, *_):
        """Five megabytes that unpack to five thousand."""
        page = b'<VOTABLE version="1.4"><RESOURCE type="results">' + b" " * 5_000_000
        self.reply(200, gzip.compress(page * 5, 9), {"Content-Encoding": "gzip"})

    def fault_entities(self, *_):
        entities = '<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;">'
        page = f"<!DOCTYPE VOTABLE [{entities}]><VOTABLE><RESOURCE>&b;</RESOURCE></VOTABLE>"
        self.reply(200, page.encode())

    def fault_wide(self, detail, rows, body, kind):
        """One cell that claims to be a thousand million numbers long."""
        page = votable(rows).replace(b"datatype=", b'arraysize="1000000000" datatype=', 1)
        self.reply(200, page, {"Content-Type": "text/xml"})

    def fault_overflow(self, detail, rows, body, kind):
        """Half of the rows, and the mark that more exist."""
        half = votable(rows[: len(rows) // 2])
        self.reply(
            200,
            half.replace(
                b"</RESOURCE>", b'<INFO name="QUERY_STATUS" value="OVERFLOW"/></RESOURCE>'
            ),
            PLAIN,
        )

    def fault_empty(self, detail, rows, body, kind):
        self.reply(200, votable(rows[:0]), PLAIN)

    def fault_type(self, detail, rows, body, kind):
        """A good answer under a wrong name."""
        self.reply(200, body, kind | {"Content-Type": detail})

    def fault_bare(self, detail, rows, body, kind):
        """A good VOTable without the XML declaration, which is optional."""
        page = votable(rows)
        self.reply(200, page[page.index(b"<VOTABLE") :], PLAIN)

    def fault_malformed(self, detail, rows, body, kind):
        page = votable(rows)
        middle = len(page) // 2
        self.reply(200, page[:middle] + b"<TD><TR></broken>" + page[middle:], PLAIN)

    def fault_unzippable(self, detail, rows, body, kind):
        page = gzip.compress(votable(rows))
        self.reply(200, page[:50] + b"\xff" * 40 + page[90:], {"Content-Encoding": "gzip"})

    def fault_cut(self, detail, rows, body, kind):
        """Half of what the length promises."""
        self.reply(200, body[: len(body) // 2], kind, length=len(body))
        self.close_connection = True

    def fault_cut_silently(self, detail, rows, body, kind):
        """Half, and a length that says that this is all."""
        page = votable(rows)
        self.reply(200, page[: len(page) // 2], PLAIN)

    def fault_reset(self, *_):
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()
        self.wfile = io.BytesIO()
        self.close_connection = True

    def fault_silent(self, *_):
        self.fake.stop.wait(20)
        self.close_connection = True

    def fault_drip(self, detail, rows, body, kind):
        """A byte now and then: no single wait is long."""
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        for byte in body:
            if self.fake.stop.wait(0.05):
                break
            try:
                self.wfile.write(bytes([byte]))
            except OSError:
                break
        self.close_connection = True

    def fault_elsewhere(self, detail, rows, body, kind):
        """Right ascensions in hours."""
        rows = rows.copy()
        rows["ra_deg"] = rows["ra_deg"] / 15
        self.reply(200, votable(rows), PLAIN)


class Server(http.server.ThreadingHTTPServer):
    """Silent about connections that its clients gave up."""

    daemon_threads = True

    def handle_error(self, *_):
        pass


@contextmanager
def running():
    """A server on a free port of the loopback.

    Yields
    ------
    FakeServices
        With `.address`, such as ``http://127.0.0.1:41234``.
    """
    with Server(("127.0.0.1", 0), Handler) as server:
        server.fake = fake = FakeServices()
        fake.address = f"http://127.0.0.1:{server.server_port}"
        thread = threading.Thread(
            target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        thread.start()
        try:
            yield fake
        finally:
            fake.stop.set()
            server.shutdown()
            thread.join()
            leave_time_to_threads()


def leave_time_to_threads():
    """Until queries that were given up have noticed that the server is gone."""
    end = time.monotonic() + 3
    while time.monotonic() < end and any(
        t.name == "starcal catalogue query" for t in threading.enumerate()
    ):
        time.sleep(0.02)


def refused_address():
    """An address of the loopback where nobody listens."""
    with socket.socket() as plug:
        plug.bind(("127.0.0.1", 0))
        return f"http://127.0.0.1:{plug.getsockname()[1]}"
