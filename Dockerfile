# One image for the reader and the service. What it does is in docker/install.sh, which runs without Docker too.
FROM python:3.12-slim-bookworm
COPY . /usr/src/lyewatch
RUN sh /usr/src/lyewatch/docker/install.sh \
    && install -D /usr/src/lyewatch/docker/health.py /opt/lyewatch/health.py \
    && rm -rf /usr/src/lyewatch
ENV PATH=/opt/lyewatch/bin:$PATH
WORKDIR /srv/lyewatch
USER lyewatch
# The reader stops cleanly on it too; named here because it is what `docker stop` must send.
STOPSIGNAL SIGTERM
ENTRYPOINT ["lyewatch"]
CMD ["--help"]
