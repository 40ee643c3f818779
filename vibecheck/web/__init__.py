"""The local web page: the second face of vibecheck, with no logic of its own.

| module | what it holds |
|---|---|
| `settings` | what one run of the server was told |
| `app` | `create_app`: routes and the layers around them |
| `request` | the garage from a request, form fields, one shape of error |
| `rendering` | pages from templates |
| `pages/` | one module a page |
"""
