"""Settings, all from the environment, with an embedded default that needs nothing.

Without any variable set, Midflank runs on one machine: SQLite and traces under ``data/``, a worker
process beside the web process, no broker. ``DATABASE_URL`` and ``REDIS_URL`` turn the same code into
the production set: PostgreSQL, Celery workers woken over Redis, and a beat that picks up what was dropped.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Any

import dj_database_url
from csp.constants import NONE, SELF

BASE_DIR = Path(__file__).resolve().parent.parent


def env(name: str, default: str = "") -> str:
    return os.environ.get(name, default)


def env_flag(name: str, default: bool) -> bool:
    return env(name, "yes" if default else "no").lower() in {"1", "yes", "true", "on"}


def env_list(name: str, default: str = "") -> list[str]:
    return [part.strip() for part in env(name, default).split(",") if part.strip()]


DATA_DIR = Path(env("MIDFLANK_DATA", str(BASE_DIR / "data"))).resolve()
DATA_DIR.mkdir(parents=True, exist_ok=True)


def kept_secret(path: Path) -> str:
    """A random key made on first use and kept with the data, so that a restart does not end sessions."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_text(encoding="ascii").strip()
    with os.fdopen(handle, "w", encoding="ascii") as file:
        key = secrets.token_urlsafe(64)
        file.write(key)
    return key


SECRET_KEY = env("MIDFLANK_SECRET_KEY") or kept_secret(DATA_DIR / "secret-key")
DEBUG = env_flag("MIDFLANK_DEBUG", False)
ALLOWED_HOSTS = env_list("MIDFLANK_HOSTS", "127.0.0.1,localhost,[::1],testserver")
CSRF_TRUSTED_ORIGINS = env_list("MIDFLANK_ORIGINS")
BEHIND_TLS = env_flag("MIDFLANK_TLS", False)
PUBLIC_URL = env("MIDFLANK_PUBLIC_URL", "http://127.0.0.1:" + env("PORT", "8000")).rstrip("/")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "axes",
    "csp",
    "django_filters",
    "django_htmx",
    "drf_spectacular",
    "rest_framework",
    "rest_framework.authtoken",
    "shopapp",
    "jobs.web",
    "jobs.ledger",
    "jobs.errands",
    "jobs.people",
    "jobs.fleet",
    "jobs.tooling",
    "jobs.orders",
    "jobs.signoffs",
    "jobs.planning",
    "jobs.history",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "jobs.web.bodies.WholeBodyMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "jobs.people.middleware.ShopTimeMiddleware",
    "jobs.web.middleware.RefusalMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "shopapp.urls"
WSGI_APPLICATION = "shopapp.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "jobs.people.context.person_and_shop",
            ],
        },
    },
]

# --- Database -----------------------------------------------------------------------------------------

SQLITE: dict[str, Any] = {
    "ENGINE": "django.db.backends.sqlite3",
    "NAME": DATA_DIR / "midflank.sqlite3",
    "OPTIONS": {
        # A signature must survive a power cut, hence FULL; IMMEDIATE takes the write lock before the
        # first read, so that two writers queue instead of failing with "database is locked".
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA recursive_triggers=ON;",
    },
}
DATABASES: dict[str, Any]
if env("DATABASE_URL"):
    DATABASES = {"default": dj_database_url.parse(env("DATABASE_URL"), conn_max_age=60, conn_health_checks=True)}
else:
    DATABASES = {"default": SQLITE}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# --- Errands ------------------------------------------------------------------------------------------

REDIS_URL = env("REDIS_URL")
ERRAND_LEASE_S = float(env("MIDFLANK_LEASE_S", "60"))
ERRAND_POLL_S = float(env("MIDFLANK_POLL_S", "0.5"))
ERRAND_BEAT_S = float(env("MIDFLANK_BEAT_S", "10"))
# Longer than any work takes; a worker that is still at it is ended, and another one tries.
ERRAND_LONGEST_S = float(env("MIDFLANK_LONGEST_S", "1800"))

CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_TASK_DEFAULT_QUEUE = env("MIDFLANK_QUEUE", "midflank")
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600, "socket_connect_timeout": 3}
CELERY_BEAT_SCHEDULE = {
    "pick-up-dropped": {
        "task": "jobs.errands.pick_up_dropped",
        "schedule": ERRAND_BEAT_S,
    }
}

# --- Files --------------------------------------------------------------------------------------------

TRACE_DIR = DATA_DIR / "traces"
CARD_DIR = DATA_DIR / "job-cards"
PHOTO_DIR = DATA_DIR / "photos"
TRACE_MAX_BYTES = int(env("MIDFLANK_TRACE_MAX_BYTES", str(512 * 1024 * 1024)))
PLOT_CACHE_BYTES = int(env("MIDFLANK_PLOT_CACHE_BYTES", str(4 * 1024**3)))
MEDIA_ROOT = DATA_DIR / "media"
FILE_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 4 * 1024 * 1024
FILE_UPLOAD_PERMISSIONS = 0o640

# The shop's signing key: a PKCS#12 file and its passphrase; {shop} stands for the shop's code, so that each
# shop signs with its own. `load_demo` makes them for the demo.
SIGNING_P12 = env("MIDFLANK_SIGNING_P12", str(DATA_DIR / "demo-keys" / "{shop}.p12"))
SIGNING_PASSPHRASE = env("MIDFLANK_SIGNING_PASSPHRASE")
SIGNING_PASSPHRASE_FILE = env("MIDFLANK_SIGNING_PASSPHRASE_FILE", str(DATA_DIR / "demo-keys" / "passphrase"))

STATIC_URL = "/static/"
STATIC_ROOT = Path(env("MIDFLANK_STATIC", str(BASE_DIR / "staticfiles")))
STATICFILES_DIRS = [BASE_DIR / "shopapp" / "static"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
WHITENOISE_USE_FINDERS = DEBUG

# --- People -------------------------------------------------------------------------------------------

AUTH_USER_MODEL = "people.Person"
AUTHENTICATION_BACKENDS = ["axes.backends.AxesStandaloneBackend", "django.contrib.auth.backends.ModelBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_VERBOSE = False
AXES_LOCKOUT_CALLABLE = "jobs.people.api.locked_out"
CSRF_FAILURE_VIEW = "shopapp.handlers.page_too_old"
SESSION_COOKIE_AGE = 12 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = BEHIND_TLS
SECURE_SSL_REDIRECT = BEHIND_TLS
SECURE_HSTS_SECONDS = 31536000 if BEHIND_TLS else 0
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if BEHIND_TLS else None
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        # plotly.js adds one empty <style>; its hash is the hash of nothing.
        "style-src": [SELF, "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"],
        "img-src": [SELF, "data:", "blob:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}

LANGUAGE_CODE = "en-gb"
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

# --- API ----------------------------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "rest_framework.authentication.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": [
        "rest_framework.permissions.IsAuthenticated",
        "jobs.people.permissions.MayAct",
    ],
    "DEFAULT_METADATA_CLASS": None,
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": [
        "jobs.web.bodies.BoundedJSONParser",
        "rest_framework.parsers.MultiPartParser",
    ],
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_PAGINATION_CLASS": "jobs.web.api.Pages",
    "PAGE_SIZE": 50,
    "DEFAULT_SCHEMA_CLASS": "jobs.web.schema.ProblemSchema",
    "EXCEPTION_HANDLER": "jobs.web.api.problem_response",
    "COERCE_DECIMAL_TO_STRING": False,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Midflank",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "POSTPROCESSING_HOOKS": ["drf_spectacular.hooks.postprocess_schema_enums", "jobs.web.schema.describe"],
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "ENUM_NAME_OVERRIDES": {
        "OrderState": "jobs.orders.models.WorkOrder.State",
        "StepState": "jobs.orders.models.OrderStep.State",
        "FindingKind": "jobs.orders.models.Finding.Kind",
        "AnalysisVerdict": "jobs.orders.models.Analysis.Verdict",
        "InstrumentKind": "jobs.tooling.models.Instrument.Kind",
        "InstrumentState": "jobs.tooling.models.Instrument.State",
        "CalibrationVerdict": "jobs.tooling.models.Calibration.Verdict",
        "ErrandState": "jobs.errands.models.Errand.State",
        "PlaceKind": "jobs.planning.models.Place.Kind",
        "AbsenceSource": "jobs.planning.models.Absence.Source",
    },
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name} {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": env("MIDFLANK_LOG", "INFO")},
    "loggers": {"weasyprint": {"level": "ERROR"}, "fontTools": {"level": "WARNING"}, "pyhanko": {"level": "WARNING"}},
}
