#!/bin/sh
# Makes every secret of this installation once: authority, server certificate, logins, tokens.
# Usage: set-up.sh FOLDER [BROKER_NAME]. What is there already stays; delete a file to renew it.
set -eu
folder=${1:?"give the folder that keeps the secrets"}
broker=${2:-broker}
here=$(cd "$(dirname "$0")" && pwd)
umask 077
mkdir -p "$folder"
cd "$folder"

secret() { # a file with 32 random bytes as hex, unless it is there
    [ -s "$1" ] || openssl rand -hex 32 | tr -d '\n' > "$1"
}

if [ ! -s ca.pem ]; then
    openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 3650 \
        -keyout ca.key -out ca.pem -subj "/CN=strokewise authority" 2>/dev/null
fi
if [ ! -s server.pem ]; then
    printf 'subjectAltName=DNS:%s,DNS:localhost,IP:127.0.0.1\n' "$broker" > server.ext
    openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes \
        -keyout server.key -out server.csr -subj "/CN=$broker" 2>/dev/null
    openssl x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 825 \
        -extfile server.ext -out server.pem 2>/dev/null
    rm -f server.csr server.ext
fi
for name in monitor.password node1.password influx.password influx.token; do
    secret "$name"
done
if [ ! -s passwd ]; then
    : > passwd
    mosquitto_passwd -b passwd monitor "$(cat monitor.password)"
    mosquitto_passwd -b passwd pine-hollow.node1 "$(cat node1.password)"
fi
cp "$here/acl" acl
# Each container runs as its own user and reads its own files only.
if [ "$(id -u)" = 0 ]; then
    chown -R 1883:1883 .
    cp influx.token influx.token.server
    chown 1000:1000 influx.password influx.token.server
fi
chmod 644 ca.pem server.pem
echo "secrets are in $folder"
