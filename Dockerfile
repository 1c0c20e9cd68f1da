# syntax=docker/dockerfile:1
# Two stages: the first has the installer, the second only Python, the locked packages and the code.

FROM python:3.11-slim-bookworm AS packages
COPY requirements-uv.txt requirements.txt /tmp/
RUN python -m venv /opt/install \
 && /opt/install/bin/pip install --no-cache-dir --require-hashes -r /tmp/requirements-uv.txt \
 && python -m venv --without-pip /opt/farm \
 && /opt/install/bin/uv pip install --no-cache --python /opt/farm/bin/python --require-hashes -r /tmp/requirements.txt \
 && find /opt/farm -name __pycache__ -prune -exec rm -rf {} +

FROM python:3.11-slim-bookworm
RUN useradd --system --uid 10001 --home-dir /srv/farm --shell /usr/sbin/nologin farm \
 && mkdir -p /srv/farm /var/lib/farm \
 && chown farm:farm /var/lib/farm \
 && rm -rf /usr/local/lib/python3.11/site-packages/pip* /usr/local/lib/python3.11/site-packages/setuptools* /usr/local/bin/pip*
COPY --from=packages /opt/farm /opt/farm
WORKDIR /srv/farm
COPY manage.py ./
COPY farm_orders ./farm_orders
COPY fulfilment ./fulfilment
COPY docs/problems.md ./docs/problems.md
ENV PATH=/opt/farm/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    FARM_VAR=/var/lib/farm
USER farm
VOLUME /var/lib/farm
EXPOSE 8000
HEALTHCHECK --interval=15s --timeout=5s --start-period=30s --retries=4 \
  CMD ["python", "-c", "from urllib.request import urlopen; urlopen('http://127.0.0.1:8000/health/live', timeout=4)"]
# collectstatic writes into the volume, so that a new image brings its own pages.
CMD ["sh", "-c", "python manage.py collectstatic --noinput --verbosity 0 && exec python manage.py serve --only web --host 0.0.0.0"]
