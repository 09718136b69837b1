"""
Settings.

A fresh checkout runs with no environment at all: SQLite, a private broker, a secret
of its own under ``var/``. What stands in the file ``.env`` beside ``manage.py`` is read as if it
stood in the environment, which goes before it. Every reader is typed and fails loudly.
With ``JAMBWISE_PRODUCTION=1`` nothing secret has a default, and a missing one stops the start.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import tempfile
import zoneinfo
from hashlib import sha256
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import environ
from celery.schedules import crontab
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured
from kombu import Queue

BASE_DIR: Final = Path(__file__).resolve().parent.parent

if ENV_FILE := os.environ.get("JAMBWISE_ENV", str(BASE_DIR / ".env")):  # empty: no file is read
    environ.Env.read_env(ENV_FILE)


# -- readers of the environment ---------------------------------------------------


def text(name: str, default: str | None = None) -> str:
    """The variable, stripped; the default where it is unset or empty; loud where there is none."""
    value = os.environ.get(name, "").strip()
    if value:
        return value
    if default is None:
        raise ImproperlyConfigured(f"{name} must be set in the environment")
    return default


def flag(name: str, default: bool) -> bool:
    """1/true/yes/on or 0/false/no/off; anything else is refused."""
    value = text(name, "on" if default else "off").lower()
    if value in {"1", "true", "yes", "on"}:
        return True
    if value in {"0", "false", "no", "off"}:
        return False
    raise ImproperlyConfigured(f"{name}={value} is neither on nor off")


def whole(name: str, default: int, *, least: int, most: int) -> int:
    """A whole number within its bounds."""
    value = text(name, str(default))
    try:
        number = int(value)
    except ValueError:
        raise ImproperlyConfigured(f"{name}={value} is not a whole number") from None
    if not least <= number <= most:
        raise ImproperlyConfigured(f"{name}={number} must lie between {least} and {most}")
    return number


def words(name: str, default: str | None = None) -> list[str]:
    """A comma-separated list without blanks; loud where it is needed and empty."""
    found = [word.strip() for word in text(name, default).split(",") if word.strip()]
    if default is None and not found:
        raise ImproperlyConfigured(f"{name} must name at least one")
    return found


def address(name: str, schemes: tuple[str, ...]) -> str:
    """A URL of one of the schemes, or empty."""
    value = text(name, "")
    if value and urlsplit(value).scheme not in schemes:
        raise ImproperlyConfigured(f"{name} must begin with one of: {', '.join(s + '://' for s in schemes)}")
    return value


def table(name: str) -> dict[str, str]:
    """A JSON object of texts; empty where the variable is."""
    value = text(name, "{}")
    try:
        found = json.loads(value)
    except ValueError:
        found = None
    if not isinstance(found, dict) or not all(isinstance(one, str) for one in found.values()):
        raise ImproperlyConfigured(f"{name} is not a JSON object of texts")
    return found


def folder(name: str, default: Path) -> Path:
    """A folder that exists afterwards and that only we can read."""
    path = Path(text(name, str(default))).resolve()
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise ImproperlyConfigured(f"{name}={path} cannot be made: {error.strerror}") from None
    return path


def files_kept() -> dict[str, Any]:
    """Where photos and papers lie: on this machine's disk, or in a bucket of an S3-compatible object store."""
    bucket = text("FILES_BUCKET", "")
    if not bucket:
        return {"BACKEND": "shared.files.Disk"}
    from botocore.config import Config

    return {
        "BACKEND": "storages.backends.s3.S3Storage",
        "OPTIONS": {
            "bucket_name": bucket,
            "endpoint_url": address("FILES_URL", ("http", "https")) or None,
            "region_name": text("FILES_REGION", "us-east-1"),
            "access_key": text("FILES_KEY"),
            "secret_key": text("FILES_SECRET"),
            "default_acl": None,
            "file_overwrite": True,  # a name is of one content
            "client_config": Config(
                signature_version="s3v4",
                s3={"addressing_style": "path"},
                connect_timeout=2,
                read_timeout=10,
                retries={"total_max_attempts": 2},
            ),
        },
    }


def kept_secret(path: Path) -> str:
    """A secret made once and kept beside the data, for a checkout that has none in its environment."""
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secrets.token_urlsafe(60))
    except FileExistsError:
        pass
    for _ in range(50):  # another process may have created the file and not written it yet
        if found := path.read_text().strip():
            return found
        secrets.SystemRandom().random()
    raise ImproperlyConfigured(f"{path} is empty: delete it")


# -- where we are -----------------------------------------------------------------

PRODUCTION: Final = flag("JAMBWISE_PRODUCTION", False)
DEBUG = flag("JAMBWISE_DEBUG", not PRODUCTION)
if PRODUCTION and DEBUG:
    raise ImproperlyConfigured("JAMBWISE_DEBUG must be off when JAMBWISE_PRODUCTION is on")

DATA_DIR: Final = folder("JAMBWISE_DATA", BASE_DIR / "var")
SECRET_KEY = text("SECRET_KEY", None if PRODUCTION else kept_secret(DATA_DIR / "secret-key"))
if PRODUCTION and len(SECRET_KEY) < 50:
    raise ImproperlyConfigured("SECRET_KEY must have 50 characters or more")
ALLOWED_HOSTS = words("ALLOWED_HOSTS", None if PRODUCTION else "localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = words("CSRF_TRUSTED_ORIGINS", "")

ROOT_URLCONF = "shared.urls"
WSGI_APPLICATION = "shared.wsgi.application"
PORT: Final = whole("JAMBWISE_PORT", 8000, least=1, most=65535)
SITE_URL = address("SITE_URL", ("http", "https")).rstrip("/") or f"http://localhost:{PORT}"
"""Where people reach the site: printed in QR codes and calendar files."""
if PRODUCTION and urlsplit(SITE_URL).hostname in {None, "localhost", "127.0.0.1", "::1", "0.0.0.0"}:
    raise ImproperlyConfigured(f"SITE_URL={SITE_URL} is this machine only; name the address people reach the site by")
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

ROOMS: Final = ("jobs", "measuring", "fabrication", "installs")
"""The apps above `shared`, lowest first; pages, API and tasks of each are found by name."""

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.humanize",
    "django.contrib.messages",
    "django.contrib.sessions",
    "django.contrib.staticfiles",
    "django.forms",
    "allauth.account",  # what the next stands on: none of its pages is ours
    "allauth.mfa",
    "axes",
    "csp",
    "django_filters",
    "django_htmx",
    "drf_spectacular",
    "rest_framework",
    "rest_framework.authtoken",
    "template_partials",
    "shared",
    *ROOMS,
]

MIDDLEWARE = [
    "shared.request_id.RequestIdMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "shared.middleware.SetupMiddleware",
    "shared.second_factor.door.SecondStepMiddleware",
    "shared.middleware.BranchMiddleware",
    "shared.middleware.AwayMiddleware",
    "shared.signins.SignInMiddleware",
    "shared.idempotency.IdempotencyMiddleware",
    "shared.renames.OldNamesMiddleware",  # within: a key belongs to the address that was asked
    "django.contrib.messages.middleware.MessageMiddleware",
    "shared.idempotency.SentOnceMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "axes.middleware.AxesMiddleware",  # last: it turns a locked sign-in into its answer
]

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "shared.context.frame",
            ],
            "builtins": ["django.templatetags.i18n", "shared.templatetags.jambwise"],
        },
    }
]

FORM_RENDERER = "shared.forms.PageFormRenderer"

# -- database ---------------------------------------------------------------------

DATABASE_URL: Final = address("DATABASE_URL", ("postgres", "postgresql", "sqlite"))
DATABASES: dict[str, dict[str, Any]] = {
    "default": environ.Env.db_url_config(DATABASE_URL or f"sqlite:///{DATA_DIR / 'jambwise.sqlite3'}")
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # Four writers at once: 295 "database is locked" in 6 s with the defaults, none with these.
    DATABASES["default"]["OPTIONS"] = {
        "timeout": 20,
        "transaction_mode": "IMMEDIATE",
        "init_command": (
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA busy_timeout=20000;"
            "PRAGMA cache_size=-20000; PRAGMA mmap_size=134217728; PRAGMA temp_store=MEMORY;"
        ),
    }
else:
    DATABASES["default"]["CONN_MAX_AGE"] = whole("DATABASE_CONN_MAX_AGE", 60, least=0, most=86400)
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
    # A machine that is cut off: we notice in seconds that the database is away, and the database that we are,
    # so that what we had locked is free again.
    DATABASES["default"]["OPTIONS"] = {
        "connect_timeout": 3,
        "keepalives_idle": 5,
        "keepalives_interval": 2,
        "keepalives_count": 3,
        "tcp_user_timeout": 10_000,
        "options": "-c tcp_keepalives_idle=5 -c tcp_keepalives_interval=2 -c tcp_keepalives_count=3"
        " -c idle_in_transaction_session_timeout=60s -c lock_timeout=15s -c statement_timeout=60s",
        **DATABASES["default"].get("OPTIONS", {}),
    }
    if REPLICA_URL := address("DATABASE_REPLICA_URL", ("postgres", "postgresql")):
        DATABASES["replica"] = {**DATABASES["default"], **environ.Env.db_url_config(REPLICA_URL)}
        DATABASES["replica"]["OPTIONS"] = DATABASES["default"]["OPTIONS"]
        DATABASE_ROUTERS = ["shared.replica.ReplicaRouter"]

# -- broker and long work ---------------------------------------------------------


def broker_socket(data: Path) -> Path:
    """Where the private broker listens; a Unix socket's path must stay under 108 bytes."""
    near = data / "broker" / "mq.sock"
    if len(os.fsencode(near)) < 100:
        return near
    name = f"jambwise-{os.getuid()}-{sha256(os.fsencode(data)).hexdigest()[:12]}"
    return Path(tempfile.gettempdir()) / name / "mq.sock"


REDIS_URL: Final = address("REDIS_URL", ("redis", "rediss", "redis+socket", "unix"))
BROKER_SOCKET: Final = broker_socket(DATA_DIR)
CELERY_BROKER_URL = REDIS_URL.replace("unix://", "redis+socket://") or (
    f"redis+socket://{BROKER_SOCKET}?virtual_host=0"
)
QUEUES: Final = ("documents", "plans", "bulk")
"""One a kind of long work, each with a worker of its own: a document never waits behind plans or an import."""
CELERY_TASK_QUEUES = [Queue(name, routing_key=name) for name in QUEUES]
CELERY_TASK_DEFAULT_QUEUE = QUEUES[0]
CELERY_TASK_IGNORE_RESULT = True  # the Run's row holds the result
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 200
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 5.0  # seconds that work under way has to end when its worker is stopped
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 6 * 3600,  # longer than any run; the sweep below is what finds lost ones
    "socket_connect_timeout": 2,
    "socket_timeout": 10,
    "retry_policy": {"max_retries": 0},
}
CELERY_TASK_PUBLISH_RETRY = False  # a page never waits for a broker that is down
CELERY_TIMEZONE = "UTC"
RUN_LEASE_SECONDS = whole("RUN_LEASE_SECONDS", 6, least=2, most=3600)
RUN_ATTEMPTS = whole("RUN_ATTEMPTS", 4, least=1, most=100)
CELERY_BEAT_SCHEDULE: dict[str, dict[str, Any]] = {
    "send stale runs again": {"task": "shared.tasks.sweep", "schedule": max(2.0, RUN_LEASE_SECONDS / 4)},
    "delete files that nothing names": {"task": "shared.tasks.sweep_files", "schedule": crontab(hour="9", minute="20")},
    "forget answers kept for a day": {"task": "shared.tasks.forget_answers", "schedule": 3600.0},
    "run parked entries of phones again": {"task": "shared.tasks.retry_entries", "schedule": 15.0},
    "learn how long visits and drives take": {
        "task": "jobs.tasks.learn_times",
        "schedule": crontab(hour="8", minute="40"),
    },
    "erase customers' data that is kept no longer": {
        "task": "jobs.tasks.erase_old_customers",
        "schedule": crontab(hour="9", minute="10"),
    },
    "work install dates out anew": {"task": "jobs.tasks.work_out_dates", "schedule": 3600.0},
    "ask crews of which nothing is heard": {"task": "jobs.tasks.ask_quiet_crews", "schedule": 60.0},
    "remind customers of the next working day": {"task": "jobs.tasks.remind_customers", "schedule": 300.0},
    "send messages that are due": {"task": "jobs.tasks.send_due_messages", "schedule": 30.0},
    "ask where addresses are": {"task": "jobs.tasks.find_places", "schedule": 120.0},
    "give back held windows that ran out": {"task": "jobs.tasks.let_go_lapsed", "schedule": 15.0},
}
for _entry in CELERY_BEAT_SCHEDULE.values():  # what found no worker in time is asked again anyway
    _entry["options"] = {"expires": _entry["schedule"] if isinstance(_entry["schedule"], float) else 3600.0}
CELERY_TASK_ROUTES = {
    f"jobs.tasks.{name}": {"queue": "bulk"}
    for name in ("learn_times", "work_out_dates", "remind_customers", "send_due_messages", "find_places")
}
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat")

TRAVEL_URL: Final = address("TRAVEL_URL", ("http", "https"))

PLACES_URL: Final = address("PLACES_URL", ("http", "https"))
"""An address search, `{q}` for what is asked; empty: addresses are placed by what is known here."""
if PLACES_URL and "{q}" not in PLACES_URL:
    raise ImproperlyConfigured(f"PLACES_URL={PLACES_URL} must hold {{q}}")

# -- people -----------------------------------------------------------------------

AUTH_USER_MODEL = "shared.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "shared.access.Accounts",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "shared:sign_in"
LOGIN_REDIRECT_URL = "shared:home"
LOGOUT_REDIRECT_URL = "shared:sign_in"
SESSION_COOKIE_AGE = 14 * 24 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"

ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_LOGIN_METHODS = {"username"}
ACCOUNT_SIGNUP_FIELDS = ["username*", "password1*"]
MFA_ADAPTER = "shared.second_factor.adapter.Adapter"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_TOTP_TOLERANCE = 1
MFA_RECOVERY_CODE_DIGITS = 12

AXES_FAILURE_LIMIT = "shared.access.failures_allowed"
AXES_CLIENT_IP_CALLABLE = "shared.access.address_of"
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_DISABLE_ACCESS_LOG = True
AXES_LOCKOUT_CALLABLE = "shared.views.sign_in_locked"
AXES_VERBOSE = False
AXES_ENABLE_ACCESS_FAILURE_LOG = True  # wrong passwords, for the history of sign-ins
AXES_ACCESS_FAILURE_LOG_PER_USER_LIMIT = 100

EMAIL_URL: Final = address("EMAIL_URL", ("smtp", "smtp+tls", "smtp+ssl", "consolemail", "filemail"))
"""The server that mail leaves by; empty: no mail is sent, and pages offer none."""
if EMAIL_URL:
    vars().update(environ.Env.email_url_config(EMAIL_URL))
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = SERVER_EMAIL = text("EMAIL_FROM", None if EMAIL_URL else "jambwise@localhost")

TEXT_URL: Final = address("TEXT_URL", ("http", "https"))
"""The gateway that text messages leave by; empty: none is sent."""
TEXT_HEADERS: Final = table("TEXT_HEADERS")
TEXT_BODY: Final = text("TEXT_BODY", '{"to": "{to}", "text": "{text}", "id": "{id}"}')
if TEXT_URL and not all(part in TEXT_BODY for part in ("{to}", "{text}")):
    raise ImproperlyConfigured(f"TEXT_BODY={TEXT_BODY} must hold {{to}} and {{text}}")
TEXT_TIMEOUT = 10
TEXT_IN_KEY: Final = text("TEXT_IN_KEY", "")
"""What the gateway's address for texts that come in ends with; empty: none are taken in."""
if TEXT_IN_KEY and not re.fullmatch(r"[A-Za-z0-9_-]{16,100}", TEXT_IN_KEY):
    raise ImproperlyConfigured("TEXT_IN_KEY must be 16 to 100 letters, digits, - and _")
TEXT_IN_FROM: Final = text("TEXT_IN_FROM", "from")
TEXT_IN_TEXT: Final = text("TEXT_IN_TEXT", "text")

# -- safety of the site -----------------------------------------------------------

TILES: Final = address("JAMBWISE_TILES", ("http", "https"))
"""Where squares of a web map come from, with {z}, {x} and {y}; empty: maps are drawn by us alone."""
TILES_CREDIT: Final = text("JAMBWISE_TILES_CREDIT", None if TILES else "")
_TILES_FROM: Final = ["{0.scheme}://{0.netloc}".format(urlsplit(TILES))] if TILES else []
if TILES and not all(part in TILES for part in ("{z}", "{x}", "{y}")):
    raise ImproperlyConfigured(f"JAMBWISE_TILES={TILES} must hold {{z}}, {{x}} and {{y}}")

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:", "blob:", *_TILES_FROM],
        "connect-src": [SELF],
        "worker-src": [SELF],
        "manifest-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
CSRF_FAILURE_VIEW = "shared.views.forbidden"
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_SSL_REDIRECT = flag("JAMBWISE_TLS", PRODUCTION)
SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$", r"^metrics$"]
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE_SSL_REDIRECT
SECURE_HSTS_SECONDS = whole("JAMBWISE_HSTS_SECONDS", 30 * 24 * 3600, least=0, most=2**31) if SECURE_SSL_REDIRECT else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_SSL_REDIRECT
SECURE_HSTS_PRELOAD = flag("JAMBWISE_HSTS_PRELOAD", False)
"""Asks browsers to ship the name as one that only TLS reaches: it can't be taken back for months."""
BEHIND_PROXY: Final = flag("JAMBWISE_BEHIND_PROXY", False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SILENCED_SYSTEM_CHECKS = ["security.W021"]  # preload is the firm's to ask for
DATA_UPLOAD_MAX_MEMORY_SIZE = 10 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000

# -- words, times, files ----------------------------------------------------------

LANGUAGE_CODE = "en-us"
USE_I18N = True
LANGUAGES = [("en-us", "English"), ("es", "Spanish"), ("fr-ca", "French")]
"""Of what customers read; no page asks the browser, so the firm's own pages stay as they are written."""
USE_TZ = True
TIME_ZONE = "UTC"
zoneinfo.reset_tzpath(to=())  # the pinned tzdata, whatever the machine has
FORMAT_MODULE_PATH = "shared.formats"
USE_THOUSAND_SEPARATOR = False

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
MEDIA_ROOT = DATA_DIR / "media"  # never served as files: every download passes a view that asks who
FILE_UPLOAD_PERMISSIONS = 0o600
STORAGES = {
    "default": files_kept(),
    "staticfiles": {"BACKEND": "shared.static_files.LighterStorage"},  # with DEBUG it hashes no names by itself
}
WHITENOISE_USE_FINDERS = DEBUG
WHITENOISE_AUTOREFRESH = DEBUG

# -- API --------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "shared.tokens.ApiTokens",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["shared.renames.BothNamesRenderer"],
    "DEFAULT_PARSER_CLASSES": [
        "shared.parsers.BoundedJSONParser",
        "rest_framework.parsers.MultiPartParser",
    ],
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_PAGINATION_CLASS": "shared.paging.Pages",
    "DEFAULT_SCHEMA_CLASS": "shared.schema.RoomSchema",
    "DEFAULT_THROTTLE_CLASSES": [],
    "EXCEPTION_HANDLER": "shared.api.problem_details",
    "PAGE_SIZE": 50,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Jambwise",
    "DESCRIPTION": "Measure, make and install custom window coverings. Lengths are text with their ticks.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "OAS_VERSION": "3.1.1",
    "SCHEMA_PATH_PREFIX": "/api",
    "POSTPROCESSING_HOOKS": [],  # choices stay beside their field: a dozen things have a `state` of their own
}

# -- the operator ------------------------------------------------------------------

BACKUP_KEY: Final = text("BACKUP_KEY", "")
"""Whom backups are encrypted for: the public half of a key of `manage.py backup_key`; empty: they are not."""
if BACKUP_KEY and not BACKUP_KEY.startswith("age1"):
    raise ImproperlyConfigured("BACKUP_KEY is the public half of a key, which begins with age1")
METRICS_TOKEN: Final = text("METRICS_TOKEN", "")
"""What a Prometheus server says to read /metrics from elsewhere; empty: only this machine may."""
if METRICS_TOKEN and len(METRICS_TOKEN) < 20:
    raise ImproperlyConfigured("METRICS_TOKEN must have 20 characters or more")

ERRORS_DSN: Final = address("ERRORS_DSN", ("https", "http"))
"""Where errors are told; empty: nowhere but in the log."""
if ERRORS_DSN:
    from shared import error_reports

    error_reports.begin(ERRORS_DSN)

# -- log --------------------------------------------------------------------------

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {request_id} {name}: {message}", "style": "{"}},
    "filters": {"request": {"()": "shared.request_id.RequestIdFilter"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line", "filters": ["request"]}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        "django": {"handlers": ["console"], "level": "INFO", "propagate": False},
        "django.server": {"handlers": ["console"], "level": "INFO", "propagate": False},
        "jambwise": {"handlers": ["console"], "level": text("JAMBWISE_LOG", "INFO"), "propagate": False},
        "celery": {"handlers": ["console"], "level": "WARNING", "propagate": False},
        "celery.apps.worker": {"handlers": ["console"], "level": "INFO", "propagate": False},
        "weasyprint": {"level": "ERROR"},
        "fontTools": {"level": "ERROR"},
    },
}
