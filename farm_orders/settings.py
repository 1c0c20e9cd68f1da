"""Settings of one installation: everything from the environment, every default safe.

A secret ``NAME`` may also come from the file named by ``NAME_FILE``.  What the environment combines wrongly is told by
the system checks in ``farm_orders.checks``, each with an id.
"""

from __future__ import annotations

import logging
import os
import secrets
from contextlib import suppress
from pathlib import Path
from typing import Any

import environ

from farm_orders.logs import configure

BASE_DIR = Path(__file__).resolve().parent.parent
env = environ.FileAwareEnv()

VAR_DIR = Path(env.str("FARM_VAR", default=str(BASE_DIR / "var")))
VAR_DIR.mkdir(parents=True, exist_ok=True)


def _kept_secret(path: Path) -> str:
    """The installation's own secret key, made once and readable by its owner only.

    Two processes starting together agree: the key is written aside and linked into place, the first link wins.
    """
    if not path.exists():
        aside = path.with_name(f"{path.name}.{os.getpid()}")
        with open(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as handle:
            handle.write(secrets.token_urlsafe(64))
        with suppress(FileExistsError):
            os.link(aside, path)
        aside.unlink()
    return path.read_text().strip()


# ---- Who and where --------------------------------------------------------------------------------------------------

DEBUG = env.bool("DEBUG", default=False)
SECRET_KEY = env.str("SECRET_KEY", default="") or _kept_secret(VAR_DIR / "secret_key")
SECRET_KEY_FALLBACKS = env.list("SECRET_KEY_FALLBACKS", default=[])
_LOOPBACK = ["localhost", "127.0.0.1", "[::1]"]
# The machine itself is always answered, for health checks.
ALLOWED_HOSTS = [*dict.fromkeys([*env.list("ALLOWED_HOSTS", default=[]), *_LOOPBACK])]
# The address people reach the farm at; links in mails begin with it.
PUBLIC_URL = env.str("PUBLIC_URL", default="http://127.0.0.1:8000").rstrip("/")
HTTPS = PUBLIC_URL.startswith("https://")
# Reached from the same machine only, so that plain HTTP is no danger.
LOCAL_ONLY = set(ALLOWED_HOSTS) == set(_LOOPBACK)

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    # Where the widgets' templates are, for forms rendered with the farm's own.
    "django.forms",
    "django_htmx",
    "django_structlog",
    "rest_framework",
    # Its abstract key cannot be imported otherwise; its own table stays empty.
    "rest_framework_api_key",
    "drf_spectacular",
    "fulfilment",
]

MIDDLEWARE = [
    "farm_orders.middleware.measured",
    "farm_orders.middleware.headers",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "farm_orders.middleware.Logged",
    "farm_orders.middleware.Unavailable",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
]

ROOT_URLCONF = "farm_orders.urls"
WSGI_APPLICATION = "farm_orders.wsgi.application"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
            "builtins": ["fulfilment.web.ground.words"],
        },
    },
]

# ---- Database -------------------------------------------------------------------------------------------------------


def database(url: str) -> dict[str, Any]:
    """One database by its address, with what each engine needs to be used by several processes at once."""
    found: dict[str, Any] = dict(environ.Env.db_url_config(url))
    # Opening a database takes longer than most of what is asked of it.
    found["CONN_MAX_AGE"] = 60
    if found["ENGINE"].endswith("sqlite3"):
        # A read that turns into a write would meet "database is locked" at once, whatever the time-out: IMMEDIATE
        # takes the write lock at BEGIN, where the busy time-out is obeyed.
        found["OPTIONS"] = {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
        }
    else:
        found["CONN_HEALTH_CHECKS"] = True
        found.setdefault("OPTIONS", {}).setdefault("connect_timeout", 5)
        # What is prepared (read/together) is asked many times and is never better planned for one asking alone.
        found["OPTIONS"].setdefault("options", "-c plan_cache_mode=force_generic_plan")
    return found


DATABASES = {"default": database(env.str("DATABASE_URL", default=f"sqlite:///{VAR_DIR / 'farm.sqlite3'}"))}

# ---- Broker: a doorbell only, the queue is in the database ----------------------------------------------------------

REDIS_URL = env.str("REDIS_URL", default="")
DJANGO_STRUCTLOG_CELERY_ENABLED = bool(REDIS_URL)

# ---- Cache: nothing in it is ever needed again ----------------------------------------------------------------------

CACHES = {"default": env.cache_url("CACHE_URL", default="locmemcache://")}

# ---- Mail: written as files until somebody names a server -----------------------------------------------------------

EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
EMAIL_FILE_PATH = str(VAR_DIR / "mail")
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = env.str("MAIL_FROM", default="Farm <farm@example.org>")
SERVER_EMAIL = DEFAULT_FROM_EMAIL
_email_url = env.str("EMAIL_URL", default="")
if _email_url:
    vars().update(environ.Env.email_url_config(_email_url))

# ---- People ---------------------------------------------------------------------------------------------------------

AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/sign-in/"

# ---- Words and hours: the farm's own zone is a row, the house counts in UTC -----------------------------------------

LANGUAGE_CODE = "en"
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

# ---- Files ----------------------------------------------------------------------------------------------------------

STATIC_URL = "/static/"
STATIC_ROOT = VAR_DIR / "static"
STATIC_ROOT.mkdir(exist_ok=True)
# Hashed names once `collectstatic` has run, plain ones before: a fresh checkout serves its pages without a build step.
_hashed = not DEBUG and (STATIC_ROOT / "staticfiles.json").exists()
WHITENOISE_USE_FINDERS = not _hashed
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if _hashed
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}
MEDIA_ROOT = VAR_DIR / "media"
DATA_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2000

# ---- Safety of the pages --------------------------------------------------------------------------------------------

SECURE_SSL_REDIRECT = env.bool("SECURE_SSL_REDIRECT", default=HTTPS)
SECURE_REDIRECT_EXEMPT = [r"^health/", r"^metrics$"]
SECURE_HSTS_SECONDS = env.int("SECURE_HSTS_SECONDS", default=31_536_000 if HTTPS else 0)
# What the farm's other addresses do is not ours to decide: no word about subdomains, no preloading.
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021"]
# Only where a proxy of the farm's own sets this header and removes it from what comes in.
BEHIND_PROXY = env.bool("BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 14 * 24 * 3600
CSRF_TRUSTED_ORIGINS = [PUBLIC_URL]
CSRF_FAILURE_VIEW = "fulfilment.web.ground.doors.not_from_here"
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"

# ---- API ------------------------------------------------------------------------------------------------------------

REST_FRAMEWORK: dict[str, Any] = {
    "DEFAULT_AUTHENTICATION_CLASSES": [],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    # Who asks without a key is told apart by the address our proxy saw; without a proxy, by the one that reached us.
    "NUM_PROXIES": 1 if BEHIND_PROXY else 0,
}
# Requests a minute of one key; more get 429 until the minute is over.
API_PER_MINUTE = env.int("API_PER_MINUTE", default=1_200)
# Webhooks may also go to this machine itself, by plain HTTP too: for trying a listener out, never for a farm in use.
WEBHOOKS_TO_LOOPBACK = env.bool("WEBHOOKS_TO_LOOPBACK", default=False)
SPECTACULAR_SETTINGS: dict[str, Any] = {
    "TITLE": "Farm orders",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "WEBHOOKS": "fulfilment.api.webhooks.DESCRIBED",
    "ENUM_NAME_OVERRIDES": {"ChoiceEnum": "fulfilment.models.orders.Doubt.Answer"},
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "fulfilment.api.schema.complete",
    ],
}

# ---- Logs -----------------------------------------------------------------------------------------------------------

LOG_LEVEL = env.str("LOG_LEVEL", default="INFO").upper()
LOG_FORMAT = env.str("LOG_FORMAT", default="json")
LOGGING_CONFIG = None
configure(level=LOG_LEVEL, form=LOG_FORMAT)

# One line a request, with nobody's address on it.
DJANGO_STRUCTLOG_STATUS_START_LOG_LEVEL = logging.DEBUG
DJANGO_STRUCTLOG_IP_LOGGING_ENABLED = False
# Who did what is an event in the database; reading the user for a log line would cost two statements a request.
DJANGO_STRUCTLOG_USER_ID_FIELD = ""

# ---- What the fulfilment app reads ----------------------------------------------------------------------------------

# /metrics wants this as a bearer token; without one it exists only where nobody but the same machine is served.
METRICS_TOKEN = env.str("METRICS_TOKEN", default="")
