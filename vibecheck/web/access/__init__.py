"""Web access: who may see the page, and by what certificate.

| module | what it holds |
|---|---|
| `guard` | `wrap`: the layer around the application; every request and every answer passes it |
| `names` | what the guard and its own pages share |
| `headers` | the security headers of every answer; report pages that hold their own style |
| `limits` | token buckets |
| `pairing` | the one-time code and the sessions |
| `certificate` | the certificate authority of this machine, and the server's certificate |
| `pages` | `/pair`, `/pair/leave`, `/certificate` |
"""
