# One image for the web process, the workers and the beat; docker-compose.yml says which command each runs.
FROM python:3.11-slim-bookworm

ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1

WORKDIR /app

COPY scripts/debian-run.txt scripts/
RUN apt-get update \
    && xargs --arg-file scripts/debian-run.txt apt-get install -y --no-install-recommends \
    && rm -rf /var/lib/apt/lists/*

COPY requirements.txt ./
RUN pip install --only-binary=:all: --require-hashes -r requirements.txt

COPY . .

# The volume takes over the owner of the folder it covers.
RUN useradd --system --uid 10001 --no-create-home --shell /usr/sbin/nologin midflank \
    && install -d -o midflank -g midflank -m 750 /data \
    && MIDFLANK_DATA=/tmp/build MIDFLANK_SECRET_KEY=only-to-collect-files \
        python manage.py collectstatic --no-input --verbosity 0 \
    && rm -rf /tmp/build

# The planner's loops are compiled for the processor they run on, once, and kept with the data.
ENV MIDFLANK_DATA=/data NUMBA_CACHE_DIR=/data/kernels
USER midflank
VOLUME /data
EXPOSE 8000

# The heartbeat file of a gunicorn worker belongs in memory: on a busy disk it stalls and the worker is taken for dead.
CMD ["gunicorn", "shopapp.wsgi:application", "--bind", "0.0.0.0:8000", "--workers", "2", "--threads", "4", \
     "--timeout", "120", "--worker-tmp-dir", "/dev/shm", "--access-logfile", "-"]
