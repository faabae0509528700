# The service as an image: built in one stage, run in another without tools, by an ordinary user.
FROM rust:1-bookworm AS build
WORKDIR /source
COPY Cargo.toml Cargo.lock ./
COPY rules rules
COPY store store
COPY api api
COPY tests tests
COPY migrations migrations
COPY openapi openapi
RUN --mount=type=cache,target=/usr/local/cargo/registry \
    --mount=type=cache,target=/source/target \
    cargo build --release --locked --package api && \
    cp target/release/proofhold /proofhold

FROM debian:bookworm-slim
RUN useradd --system --uid 10001 --user-group --no-create-home --shell /usr/sbin/nologin proofhold && \
    install --directory --mode 0700 --owner proofhold --group proofhold /var/lib/proofhold/keys
COPY --from=build /proofhold /usr/local/bin/proofhold
COPY LICENSE LICENSE-MIT LICENSE-APACHE /usr/share/doc/proofhold/
USER proofhold
WORKDIR /var/lib/proofhold
ENV PROOFHOLD_LISTEN=0.0.0.0:8080 PROOFHOLD_KEYS=/var/lib/proofhold/keys
VOLUME /var/lib/proofhold/keys
EXPOSE 8080
# `serve` uses the server that DATABASE_URL names.
ENTRYPOINT ["proofhold"]
CMD ["serve"]
