# Two stages: the first installs what is locked, the second holds only Python, the packages and one user without rights.
FROM python:3.13-slim AS build
WORKDIR /src
ENV PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1 PYTHONDONTWRITEBYTECODE=1
RUN python -m venv /opt/build && python -m venv /opt/fieldworthy
COPY requirements.lock pyproject.toml README.md DEVELOPERS.md LICENSE ./
COPY service service
COPY migrations migrations
# The lock also holds the tools of development: here it is the list of versions and hashes to choose from. What the
# service itself needs is compiled from it, then installed by hash.
RUN /opt/build/bin/pip install --require-hashes -r requirements.lock \
    && /opt/build/bin/uv pip compile -q --generate-hashes --no-header --no-annotate --extra postgres --extra jwt \
        --constraints requirements.lock pyproject.toml -o run.lock \
    && /opt/fieldworthy/bin/pip install --require-hashes -r run.lock \
    && /opt/build/bin/pip wheel -q --no-deps --no-build-isolation -w /dist . \
    && /opt/fieldworthy/bin/pip install --no-deps --no-index /dist/*.whl

FROM python:3.13-slim
RUN useradd --uid 10001 --no-create-home --shell /usr/sbin/nologin fieldworthy \
    && mkdir /data && chown fieldworthy /data
COPY --from=build /opt/fieldworthy /opt/fieldworthy
# It asks for keys: make one first, with the same volume and `key create NAME --organisation NAME --scope SCOPE` in place of the command.
# It speaks plain HTTP: beyond one machine put something in front that speaks TLS. To try it without keys, publish the port on loopback only
# (-p 127.0.0.1:8000:8000), set FIELDWORTHY_OPEN_NETWORK=yes and add --open to the command.
ENV PATH=/opt/fieldworthy/bin:$PATH PYTHONUNBUFFERED=1 FIELDWORTHY_DATA_DIR=/data
USER 10001
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=3s --start-period=10s \
    CMD ["python", "-c", "import urllib.request as u; u.urlopen('http://127.0.0.1:8000/healthz', timeout=2)"]
ENTRYPOINT ["fieldworthy"]
CMD ["serve", "--host", "0.0.0.0", "--port", "8000"]
