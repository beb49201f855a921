#!/bin/sh
# Stands for the keeper at the editor: writes the rack's file over what is there.
cat /srv/seed/guest/rack.toml >"$1"
