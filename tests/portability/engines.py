"""The two engines under one face: they open a store, run the statements of the embedded database and give tables back."""

import duckdb
from pyspark.sql import SparkSession

from spark_dialect import to_spark
from statements import STORE_TABLES


class Embedded:
    def __init__(self):
        self.name = f"DuckDB {duckdb.__version__}"
        self.connection = duckdb.connect()

    def open(self, snapshot):
        for table in STORE_TABLES:
            files = [str(file) for file in sorted((snapshot / table).glob("*.parquet"))]
            self.connection.read_parquet(files, union_by_name=True).create_view(f"store_{table}")

    def run(self, statement, parameters):
        self.connection.execute(statement, parameters)

    def rows(self, statement, parameters):
        return self.connection.sql(statement, params=parameters or None).to_arrow_table()


class Spark:
    def __init__(self, master, memory, scratch, without):
        settings = {
            "spark.driver.memory": memory,
            "spark.sql.ansi.enabled": "true",
            "spark.sql.session.timeZone": "UTC",
            "spark.sql.shuffle.partitions": "4",
            "spark.sql.warehouse.dir": str(scratch),
            "spark.sql.catalogImplementation": "in-memory",
            "spark.ui.enabled": "false",
            "spark.ui.showConsoleProgress": "false",
            "spark.log.level": "ERROR",
        }
        builder = SparkSession.builder.master(master).appName("portability")
        self.session = builder.config(map=settings).getOrCreate()
        self.name = f"Spark {self.session.version} on {master}"
        self.without = without

    def open(self, snapshot):
        for table in STORE_TABLES:
            files = [f"file://{file}" for file in sorted((snapshot / table).glob("*.parquet"))]
            self.session.read.option("mergeSchema", True).parquet(*files).createOrReplaceTempView(f"store_{table}")

    def run(self, statement, parameters):
        self.session.sql(to_spark(statement, self.without), args=parameters)

    def rows(self, statement, parameters):
        return self.session.sql(to_spark(statement, self.without), args=parameters).toArrow()
