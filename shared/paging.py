"""Pages of API lists; on its own, since DRF imports it while it starts."""

from rest_framework.pagination import PageNumberPagination


class Pages(PageNumberPagination):
    """50 a page, up to 500 when asked with ``page_size``."""

    page_size_query_param = "page_size"
    max_page_size = 500
