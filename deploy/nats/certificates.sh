#!/bin/sh
# Makes test certificates for three nodes and the four roles in a new folder, valid for 30 days. A hospital has
# an authority of its own: it needs two, one for nodes and one for clients, and these names.
#
#   sh certificates.sh DIR [HOST]   HOST is the nodes' name or address beside localhost
set -eu
dir=${1:?name a new folder} host=${2:-127.0.0.1}
case $host in *[!0-9.]*) also=DNS:$host ;; *) also=IP:$host ;; esac
umask 077
mkdir "$dir"
cd "$dir"

# authority NAME COMMON-NAME
authority() {
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 30 -subj "/CN=$2" -keyout "$1.key" -out "$1.pem" 2>/dev/null
}
# certificate AUTHORITY NAME COMMON-NAME EXTENSIONS…
certificate() {
  by=$1 name=$2 subject=$3
  shift 3
  openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=$subject" -keyout "$name.key" -out "$name.csr" 2>/dev/null
  printf '%s\n' basicConstraints=critical,CA:FALSE keyUsage=critical,digitalSignature "$@" >"$name.ext"
  openssl x509 -req -in "$name.csr" -CA "$by.pem" -CAkey "$by.key" -days 30 -extfile "$name.ext" -out "$name.pem" 2>/dev/null
  rm "$name.csr" "$name.ext"
}

authority nodes-ca "test authority of nodes"
authority clients-ca "test authority of clients"
for node in a b c; do
  # A node answers clients and calls other nodes.
  certificate nodes-ca "$node" "node $node" extendedKeyUsage=serverAuth,clientAuth "subjectAltName=DNS:localhost,IP:127.0.0.1,$also"
done
for role in ingest view erase admin; do
  certificate clients-ca "$role" "cannulary-$role" extendedKeyUsage=clientAuth
done
