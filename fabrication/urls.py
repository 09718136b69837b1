"""Addresses of the workroom."""

from django.urls import path

from fabrication.views import batches, bench, buying, recipes, stock, units

app_name = "fabrication"

urlpatterns = [
    path("workroom/batches/", batches.batch_list, name="batches"),
    path("workroom/batches/open/", batches.batch_open, name="batch_open"),
    path("workroom/batches/<int:pk>/", batches.batch_detail, name="batch"),
    path("workroom/batches/<int:pk>/units/", batches.batch_units, name="batch_units"),
    path("workroom/batches/<int:pk>/plan/", batches.batch_plan, name="batch_plan"),
    path("workroom/batches/<int:pk>/cancel/", batches.batch_cancel, name="batch_cancel"),
    path("workroom/cutting/", bench.cutting, name="cutting"),
    path("workroom/cutting/<int:pk>/", bench.cutting_plan, name="cut_plan"),
    path("workroom/cuts/<int:pk>/cut/", bench.cut, name="cut"),
    path("workroom/cuts/<int:pk>/undo/", bench.uncut, name="uncut"),
    path("workroom/cuts/<int:pk>/miscut/", bench.miscut, name="miscut"),
    path("workroom/parts/<int:pk>/pull/", bench.pull, name="pull"),
    path("workroom/batches/<int:pk>/pull/", bench.pull_list, name="pull_list"),
    path("workroom/checking/", bench.checking, name="checking"),
    path("workroom/units/<int:pk>/", units.unit_detail, name="unit"),
    path("workroom/units/<int:pk>/check/", bench.check, name="check"),
    path("workroom/jobs/<int:pk>/units/", units.units_of_job, name="units_of_job"),
    path("workroom/stock/", stock.stock_list, name="stock"),
    path("workroom/stock/receive/", stock.stock_receive, name="stock_receive"),
    path("workroom/stock/<int:pk>/", stock.stock_detail, name="stock_item"),
    path("workroom/stock/<int:pk>/count/", stock.stock_count, name="stock_count"),
    path("workroom/stock/<int:pk>/flaw/", stock.stock_flaw, name="stock_flaw"),
    path("workroom/buying/", buying.buying, name="buying"),
    path("workroom/buying/units/", buying.buy_units, name="buy_units"),
    path("workroom/buying/stock/", buying.buy_stock, name="buy_stock"),
    path("workroom/purchases/<int:pk>/", buying.purchase, name="purchase"),
    path("workroom/purchases/<int:pk>/sheet.csv", buying.purchase_csv, name="purchase_csv"),
    path("workroom/purchase-lines/<int:pk>/acknowledge/", buying.acknowledge_line, name="acknowledge"),
    path("workroom/purchase-lines/<int:pk>/receive/", buying.receive, name="receive_line"),
    path("workroom/purchase-lines/<int:pk>/inspect/", buying.inspect, name="inspect_line"),
    path("workroom/recipes/", recipes.recipe_list, name="recipes"),
    path("workroom/recipes/<int:pk>/", recipes.recipe_edit, name="recipe"),
    path("workroom/recipes/<int:pk>/try/", recipes.recipe_try, name="recipe_try"),
    path("workroom/recipes/<int:pk>/revisions/", recipes.recipe_revisions, name="recipe_revisions"),
    path("u/<str:code>/", units.by_code, name="by_code"),
]
