"""The web server's entrance."""

from __future__ import annotations

import gc
import os
from importlib import import_module

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "farm_orders.settings")

application = get_wsgi_application()
import_module(settings.ROOT_URLCONF)
# What is loaded by now stays, and an answer holds some thousand objects that go with it: the collector need neither
# walk through all of the first again and again, nor through the second while it is being made.
gc.freeze()
gc.set_threshold(10_000, 10, 10)
