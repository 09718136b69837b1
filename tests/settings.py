"""
The site's settings, made quick for tests.

The suite runs on SQLite, since that is what a newcomer's machine has and it starts in no
time; ``JAMBWISE_TEST_DATABASE=postgresql`` runs the same suite on a private PostgreSQL
server, and the tests of long work and the browser's walk always use one where it is installed.
"""

import atexit
import os
import shutil
import tempfile

os.environ["JAMBWISE_ENV"] = ""  # a firm's own settings are not for tests
if "JAMBWISE_DATA" not in os.environ:
    os.environ["JAMBWISE_DATA"] = tempfile.mkdtemp(prefix="jw-")
    atexit.register(shutil.rmtree, os.environ["JAMBWISE_DATA"], ignore_errors=True)
if os.environ.get("JAMBWISE_TEST_DATABASE") == "postgresql":
    from tests.servers import the_postgres

    os.environ["DATABASE_URL"] = the_postgres().url("postgres")

from shared.settings import *  # noqa: F403
from shared.settings import DATA_DIR, LOGGING, files_kept

DEBUG = False
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {
    "default": files_kept(),
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
ALLOWED_HOSTS = ["testserver", "localhost", "127.0.0.1"]
MEDIA_ROOT = DATA_DIR / "media"
for _name in ("django", "django.server", "jambwise", "celery"):
    LOGGING["loggers"][_name] = {"level": "ERROR"}  # type: ignore[index]  # Django reads it as objects

# A run that a test performs in its own transaction is seen by no other connection, the one that renews its lease
# neither: it has a lease that outlasts it.
if "JAMBWISE_TEST_WORKS" not in os.environ:
    RUN_LEASE_SECONDS = 600

# Unit tests never reach a broker: what is sent goes to a name that nothing listens on, and
# tests that want the work done call `runs.perform`. Where a real worker is under test, the
# `worker` fixture has a broker of its own.
CELERY_BROKER_URL = os.environ.get("JAMBWISE_TEST_BROKER", "memory://")
CELERY_IMPORTS = ("tests.shared.works",)

# Tests set the clock to a Monday without holidays in its weeks: about Christmas that is five weeks ahead.
SESSION_COOKIE_AGE = 60 * 24 * 3600
