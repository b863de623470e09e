"""Star services on the loopback: TAP, synchronous and by jobs, and VizieR, with a sky of their own
and every fault.

What they speak: IVOA TAP 1.1 and UWS 1.1 (a job is made by a POST answered with 303, its phase is
polled as one word, its result is a VOTable, gzipped if that is asked for), DALI 1.1 section 4.4
(QUERY_STATUS), VOTable 1.4, and VizieR's plain-text queries (`-source`, `-c`, `-c.r`, `-out.max`, a
filter a column).
"""

import gzip
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
        fault).
    """

    def __init__(self):
        sky = Sky()
        self.tables = {
            "gaiadr3.gaia_source": sky.gaia(),
            "II/336/apass9": sky.apass(),
            "I/259/tyc2": sky.tycho2(),
        }
        self.sky, self.faults, self.faulty_for_ever, self.asked, self.jobs = (
            sky,
            [],
            False,
            [],
            {},
        )
        self.job_trouble = ""
        self.stop, self.columns_renamed = threading.Event(), {}
        self.polls_of_a_job = 0  # each costs half a second of the client's patience

    def next_fault(self):
        if not self.faults:
            return ""
        return self.faults[0] if self.faulty_for_ever else self.faults.pop(0)

    @property
    def questions(self):
        """Queries, without the traffic round them."""
        return [body for method, path, body in self.asked if method == "POST"]

    def answer_tap(self, form):
        query = form["QUERY"][0]
        top, columns, name = re.match(r"SELECT TOP (\d+) (.*) FROM (\S+) WHERE", query).groups()
        ra, dec, radius = map(
            float, re.search(r"CIRCLE\('ICRS', (\S+), (\S+), (\S+)\)\)", query).groups()
        )
        column, limit = re.search(r"AND (\w+) < (\S+)", query).groups()
        rows = self.rows(name, ra, dec, radius, {column: float(limit)}, int(top))
        return rows[[c.strip() for c in columns.split(",")]]

    def answer_vizier(self, body):
        lines = dict(line.split("=", 1) for line in body.splitlines() if "=" in line)
        ra, dec = map(float, re.match(r"([\d.]+)([+-][\d.]+)", lines["-c"]).groups())
        radius = float(lines["-c.rd"])
        limits = {
            k: float(v[1:])
            for k, v in lines.items()
            if v.startswith("<") and not k.startswith("-")
        }
        rows = self.rows(lines["-source"], ra, dec, radius, limits, int(lines["-out.max"]))
        return rows[lines["-out"].split(",")]

    def rows(self, name, ra, dec, radius, limits, most):
        table = self.tables[name]
        longitude, latitude = (
            ("ra", "dec")
            if "gaia" in name
            else (
                ("RAJ2000", "DEJ2000")
                if "RAJ2000" in table.colnames
                else ("RA(ICRS)", "DE(ICRS)")
            )
        )
        places = SkyCoord(table[longitude], table[latitude], unit="deg")
        keep = places.separation(SkyCoord(ra, dec, unit="deg")).deg <= radius
        for column, limit in limits.items():
            keep &= np.ma.filled(table[column] < limit, False)
        return table[keep][:most]


def votable(table, *, info="", name="t", empty_is_bare=False):
    """A table as the services write it; VizieR leaves the table away when it is empty."""
    if empty_is_bare and not len(table):
        return f'<?xml version="1.0"?>\n<VOTABLE version="1.4">{info}<RESOURCE></RESOURCE></VOTABLE>\n'.encode()
    tree = from_table(table)
    tree.get_first_table().name = name
    page = io.BytesIO()
    tree.to_xml(page)
    return page.getvalue().replace(b"<RESOURCE type", info.encode() + b"<RESOURCE type", 1)


class Handler(http.server.BaseHTTPRequestHandler):
    """Requests in, answers or faults out."""

    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        pass

    @property
    def fake(self):
        return self.server.fake

    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        self.fake.asked.append(("POST", self.path, body))
        if self.path.endswith("/sync"):
            self.result(self.fake.answer_tap(parse_qs(body)), zipped=True)
        elif self.path.endswith("/async"):
            if self.fake.job_trouble == "page at launch":
                return self.fault_page()
            number = str(len(self.fake.jobs) + 1)
            self.fake.jobs[number] = [
                self.fake.answer_tap(parse_qs(body)),
                self.fake.polls_of_a_job,
            ]
            where = f"http://127.0.0.1:{self.server.server_port}{self.path}/{number}"
            self.reply(303, b"", {"Location": where})
        else:
            self.result(self.fake.answer_vizier(body), zipped=False, empty_is_bare=True)

    def do_GET(self):
        self.fake.asked.append(("GET", self.path, ""))
        job = re.search(r"/async/(\d+)/(.*)", self.path)
        rows, polls = self.fake.jobs[job[1]]
        if job[2] == "phase":
            if self.fake.job_trouble == "page for a phase":
                return self.fault_page()
            self.fake.jobs[job[1]][1] -= 1
            end = b"ERROR" if self.fake.job_trouble == "job fails" else b"COMPLETED"
            self.reply(200, b"EXECUTING" if polls > 0 else end, {"Content-Type": "text/plain"})
        elif self.fake.job_trouble == "job fails":
            self.reply(
                404, b"<html>Job failed: out of memory</html>", {"Content-Type": "text/html"}
            )
        elif self.fake.job_trouble == "result elsewhere" and not job[2].endswith("elsewhere"):
            self.reply(
                303,
                b"",
                {
                    "Location": f"http://127.0.0.1:{self.server.server_port}{self.path}/../elsewhere"
                },
            )
        else:
            self.result(rows, zipped=True)

    def result(self, rows, *, zipped, empty_is_bare=False):
        rows = rows.copy()
        for old, new in self.fake.columns_renamed.items():
            rows.rename_column(old, new)
        pack = gzip.compress if zipped else bytes
        body = pack(votable(rows, name="rows", empty_is_bare=empty_is_bare))
        kind = {"Content-Type": "application/x-votable+xml"}
        fault, _, detail = self.fake.next_fault().partition(" ")
        if fault:
            getattr(self, f"fault_{fault}")(detail, rows, body, kind)
        else:
            self.reply(200, body, kind)

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
        info = '<INFO name="QUERY_STATUS" value="ERROR">Cannot parse query</INFO>'
        self.reply(
            200,
            f'<VOTABLE version="1.4"><RESOURCE type="results">{info}</RESOURCE></VOTABLE>'.encode(),
        )

    def fault_vizier_error(self, *_):
        self.reply(
            200,
            b'<?xml version="1.0"?><VOTABLE><INFO ID="Errors" value="**** no such '
            b'table"/></VOTABLE>',
        )

    def fault_overflow(self, detail, rows, body, kind):
        """Half of the rows, and the mark that more exist."""
        half = votable(rows[: len(rows) // 2])
        self.reply(
            200,
            half.replace(
                b"</RESOURCE>", b'<INFO name="QUERY_STATUS" value="OVERFLOW"/></RESOURCE>'
            ),
            kind,
        )

    def fault_empty(self, detail, rows, body, kind):
        self.reply(200, votable(rows[:0]), kind)

    def fault_type(self, detail, rows, body, kind):
        """A good answer under a wrong name."""
        self.reply(200, body, {"Content-Type": detail})

    def fault_bare(self, detail, rows, body, kind):
        """A good VOTable without the XML declaration, which is optional."""
        page = votable(rows)
        self.reply(200, page[page.index(b"<VOTABLE") :], kind)

    def fault_malformed(self, detail, rows, body, kind):
        page = votable(rows)
        middle = len(page) // 2
        self.reply(200, page[:middle] + b"<TD><TR></broken>" + page[middle:], kind)

    def fault_unzippable(self, detail, rows, body, kind):
        page = gzip.compress(votable(rows))
        self.reply(200, page[:50] + b"\xff" * 40 + page[90:], kind)

    def fault_cut(self, detail, rows, body, kind):
        """Half of what the length promises."""
        self.reply(200, body[: len(body) // 2], kind, length=len(body))
        self.close_connection = True

    def fault_cut_silently(self, detail, rows, body, kind):
        """Half, and a length that says that this is all."""
        page = votable(rows)
        self.reply(200, page[: len(page) // 2], kind)

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
        name = next(n for n in ("ra", "RAJ2000", "RAmdeg") if n in rows.colnames)
        rows[name] = rows[name] / 15
        self.reply(200, votable(rows), kind)


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
