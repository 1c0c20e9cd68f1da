"""Settings of the tests: the deployment's own, in a folder that goes away, on the database that is asked for.

``FARM_TEST_DATABASE=postgres`` runs them on a real PostgreSQL with a real Redis-protocol server; otherwise they run on
an SQLite file, since a database in memory has neither a write-ahead log nor a busy wait.
"""

from __future__ import annotations

import os

from tests import servers

FOLDER = servers.session_folder()

for name in ("DATABASE_URL", "REDIS_URL", "EMAIL_URL", "CACHE_URL", "ALLOWED_HOSTS", "PUBLIC_URL", "METRICS_TOKEN"):
    os.environ.pop(name, None)
os.environ["FARM_VAR"] = str(FOLDER / "var")
os.environ["SECRET_KEY"] = "a key for the tests only, long enough to satisfy every check there is"
os.environ["DEBUG"] = "0"
os.environ.setdefault("LOG_LEVEL", "WARNING")
if servers.POSTGRES_ASKED and not servers.why_missing():
    os.environ["DATABASE_URL"] = servers.postgres_url()
    os.environ["REDIS_URL"] = servers.redis_url()

from farm_orders.settings import *  # noqa: E402, F403 - after the environment is set
from farm_orders.settings import DATABASES, INSTALLED_APPS, VAR_DIR  # noqa: E402

DATABASES["default"]["TEST"] = (
    {"NAME": str(VAR_DIR / "test.sqlite3")}
    if DATABASES["default"]["ENGINE"].endswith("sqlite3")
    else {"NAME": "test_farm_orders"}
)
INSTALLED_APPS += ["django_linear_migrations"]
FIRST_PARTY_APPS = ["fulfilment"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
